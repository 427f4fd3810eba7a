//! Licence expressions (SPDX 2.3, annex D): does a list of allowed licences satisfy one?

/// Whether `expression` can be met with `allowed` licences alone. `/` is read as `OR`, as older
/// crates write it. An expression that cannot be read is not met.
pub(crate) fn satisfied(expression: &str, allowed: &[String]) -> bool {
    let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let tokens: Vec<&str> = spaced.split_whitespace().collect();
    let mut parser = Parser { tokens: &tokens, at: 0, allowed };
    parser.either() == Some(true) && parser.at == tokens.len()
}

struct Parser<'a> {
    tokens: &'a [&'a str],
    at: usize,
    allowed: &'a [String],
}

impl<'a> Parser<'a> {
    fn peek(&self) -> Option<&'a str> {
        self.tokens.get(self.at).copied()
    }
    fn take(&mut self, word: &str) -> bool {
        let hit = self.peek().is_some_and(|t| t.eq_ignore_ascii_case(word));
        self.at += usize::from(hit);
        hit
    }
    fn either(&mut self) -> Option<bool> {
        let mut met = self.both()?;
        while self.take("OR") {
            met |= self.both()?;
        }
        Some(met)
    }
    fn both(&mut self) -> Option<bool> {
        let mut met = self.one()?;
        while self.take("AND") {
            met &= self.one()?;
        }
        Some(met)
    }
    fn one(&mut self) -> Option<bool> {
        if self.take("(") {
            let met = self.either()?;
            return self.take(")").then_some(met);
        }
        let name = self.peek().filter(|t| !matches!(*t, ")" | "OR" | "AND" | "WITH"))?;
        self.at += 1;
        let licence = if self.take("WITH") {
            let exception = self.peek()?;
            self.at += 1;
            format!("{name} WITH {exception}")
        } else {
            name.to_owned()
        };
        Some(self.allowed.contains(&licence))
    }
}

#[cfg(test)]
mod tests {
    use super::satisfied;

    #[test]
    fn expressions() {
        let allowed: Vec<String> = ["MIT", "Apache-2.0", "Unicode-3.0", "Apache-2.0 WITH LLVM-exception"]
            .map(str::to_owned)
            .to_vec();
        for (text, met) in [
            ("MIT", true),
            ("MIT/Apache-2.0", true),
            ("GPL-3.0-only", false),
            ("GPL-3.0-only OR MIT", true),
            ("GPL-3.0-only AND MIT", false),
            ("(MIT OR Apache-2.0) AND Unicode-3.0", true),
            ("(MIT OR Apache-2.0) AND OpenSSL", false),
            ("MIT OR GPL-3.0-only AND OpenSSL", true),
            ("Apache-2.0 WITH LLVM-exception", true),
            ("MIT WITH LLVM-exception", false),
            ("", false),
            ("MIT OR", false),
            ("(MIT", false),
            ("MIT )", false),
        ] {
            assert_eq!(satisfied(text, &allowed), met, "{text}");
        }
    }
}
