"""Writes schema_cases.csv: which aircraft fixtures a JSON Schema validator accepts.

Usage, from the root of the repository, after a change of the schema and its accepted snapshot:
make_schema_cases.py. Files that are not TOML are left out.
"""
import hashlib
import json
import os
import tomllib
from importlib.metadata import version

import jsonschema

fixtures = "crates/dossier/tests/fixtures/aircraft"
with open("crates/dossier/tests/it/snapshots/it__schema__aircraft-schema.snap", encoding="utf-8") as f:
    schema = json.loads(f.read().split("\n---\n", 1)[1])
text = json.dumps(schema, separators=(",", ":"), ensure_ascii=False)
jsonschema.Draft202012Validator.check_schema(schema)
validator = jsonschema.Draft202012Validator(schema)
here = os.path.dirname(os.path.abspath(__file__))
with open(os.path.join(here, "schema_cases.csv"), "w", encoding="utf-8") as out:
    out.write("# whether each aircraft fixture is valid under the schema\n")
    out.write(f"# source: jsonschema {version('jsonschema')}, Draft202012Validator; made by make_schema_cases.py\n")
    out.write(f"# schema sha256: {hashlib.sha256(text.encode()).hexdigest()}\n")
    out.write("file,valid\n")
    for folder in ("good", "broken"):
        for name in sorted(os.listdir(os.path.join(fixtures, folder))):
            if not name.endswith(".toml"):
                continue
            try:
                with open(os.path.join(fixtures, folder, name), "rb") as f:
                    doc = tomllib.load(f)
            except (tomllib.TOMLDecodeError, UnicodeDecodeError):
                continue
            out.write(f"{folder}/{name},{str(validator.is_valid(doc)).lower()}\n")
            if folder == "good" and not validator.is_valid(doc):
                for e in validator.iter_errors(doc):
                    print(name, e.message[:200], list(e.path))
