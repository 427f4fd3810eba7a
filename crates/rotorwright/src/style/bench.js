// Charts and the live form. Every page also works without this script.
(() => {
  "use strict";

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  // Names of inks in a specification become the colours of the sheet.
  const ink = (value) => {
    if (Array.isArray(value)) return value.map(ink);
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, ink(v)]));
    }
    switch (value) {
      case "@ink": return css("--ink");
      case "@accent": return css("--accent");
      case "@faint": return css("--faint");
      case "@grid": return css("--grid");
      case "@paper": return css("--paper");
      case "@font": return css("--font");
      case "@none": return "rgba(0,0,0,0)";
      default: return value;
    }
  };

  const coarse = matchMedia("(pointer: coarse)").matches;
  const config = { displayModeBar: false, responsive: true, displaylogo: false, showTips: false, doubleClick: coarse ? false : "reset" };

  const place = (axis, value) => {
    const v = axis.type === "log" ? Math.log10(value) : value;
    return (v - axis.range[0]) / (axis.range[1] - axis.range[0]);
  };

  // Labels stand at the ends of their lines, neighbours kept apart.
  const settle = (chart) => {
    const layout = chart.layout;
    const notes = layout.annotations || [];
    const height = layout.height - layout.margin.t - layout.margin.b;
    const update = {};
    const panels = {};
    notes.forEach((note, i) => {
      if (note.name !== "end") return;
      const key = note.yref === "y" ? "yaxis" : "yaxis" + note.yref.slice(1);
      const axis = layout[key];
      const trace = chart.data.filter((t) => (t.yaxis || "y") === note.yref).find((t) => t.name === note.text);
      if (!axis || !trace) return;
      let last = null;
      const high = layout.xaxis.range[1];
      for (let k = trace.y.length - 1; k >= 0; k--) {
        if (trace.y[k] == null) continue;
        last = trace.y[k];
        const x = layout.xaxis.type === "log" ? Math.log10(trace.x[k]) : trace.x[k];
        if (x <= high) break;
      }
      if (last == null) return;
      (panels[key] ||= []).push({ i, value: axis.type === "log" ? Math.log10(last) : last, at: place(axis, last), axis });
    });
    for (const group of Object.values(panels)) {
      group.sort((a, b) => b.at - a.at);
      const tall = (group[0].axis.domain[1] - group[0].axis.domain[0]) * height;
      let floor = Infinity;
      const at = group.map((g) => Math.min(Math.max(g.at, 0), 1) * tall);
      const want = at.slice();
      for (let k = 0; k < at.length; k++) {
        at[k] = Math.min(at[k], floor);
        floor = at[k] - 13;
      }
      let rise = -2;
      for (let k = at.length - 1; k >= 0; k--) {
        at[k] = Math.max(at[k], rise);
        rise = at[k] + 13;
      }
      group.forEach((g, k) => {
        const [lo, hi] = g.axis.range;
        update[`annotations[${g.i}].y`] = Math.min(Math.max(g.value, lo), hi);
        update[`annotations[${g.i}].yshift`] = at[k] - Math.min(Math.max(want[k], 0), tall);
      });
    }
    // A bracket carries its name where it is wide enough, else its number.
    const width = chart.clientWidth - layout.margin.l - layout.margin.r;
    const [low, high] = layout.xaxis.range;
    let n = 0;
    notes.forEach((note, i) => {
      if (note.name !== "bracket") return;
      const [from, to, number, name] = chart.brackets[n++];
      const pixels = ((Math.min(to, high) - Math.max(from, low)) / (high - low)) * width;
      update[`annotations[${i}].text`] = pixels > name.length * 6.6 ? name : pixels > 8 ? String(number) : "";
      update[`annotations[${i}].x`] = (Math.min(to, high) + Math.max(from, low)) / 2;
      update[`annotations[${i}].visible`] = to > low && from < high;
    });
    return update;
  };

  const detail = async (figure, chart) => {
    const address = figure.dataset.detail;
    if (!address) return;
    const [from, to] = chart.layout.xaxis.range;
    const points = Math.max(400, Math.min(2400, chart.clientWidth * 2));
    const turn = (chart.turn = (chart.turn || 0) + 1);
    const join = address.includes("?") ? "&" : "?";
    const got = await Promise.all(
      chart.data.map(async (trace) => {
        if (!trace.meta) return null;
        const query = new URLSearchParams({ channel: trace.meta, from, to, points });
        const answer = await fetch(address + join + query);
        return answer.ok ? answer.json() : null;
      }),
    );
    if (turn !== chart.turn) return;
    const which = [], x = [], y = [];
    got.forEach((g, i) => { if (g) { which.push(i); x.push(g.time); y.push(g.value); } });
    if (which.length) await window.Plotly.restyle(chart, { x, y }, which);
    await window.Plotly.relayout(chart, settle(chart));
  };

  const draw = async (figure) => {
    const block = figure.querySelector("script.spec");
    if (!block || !window.Plotly) return;
    const spec = JSON.parse(block.textContent);
    let chart = figure.querySelector(".live");
    const first = !chart;
    if (first) {
      chart = document.createElement("div");
      chart.className = "live";
      chart.setAttribute("role", "img");
      chart.setAttribute("aria-label", figure.dataset.title);
      figure.insertBefore(chart, block);
      figure.classList.add("drawn");
    }
    const layout = ink(spec.layout);
    if (coarse) layout.dragmode = false;
    if (figure.clientWidth < 560) {
      layout.margin = { ...layout.margin, l: 56, r: 84 };
      layout.font.size = 11;
      // Room is short: smaller notes, and of a leader's name what comes before the rotors (the list below has it whole).
      for (const note of layout.annotations || []) {
        note.font = { ...note.font, size: 10 };
        if (note.showarrow) note.text = note.text.replace(/ of rotors? .*$/, "");
      }
    }
    chart.brackets = spec.brackets;
    await window.Plotly.react(chart, ink(spec.data), layout, config);
    await window.Plotly.relayout(chart, settle(chart));
    if (first) {
      chart.on("plotly_relayout", (change) => {
        if (Object.keys(change).some((k) => k.startsWith("xaxis.range") || k === "xaxis.autorange")) {
          detail(figure, chart).catch(() => {});
        }
      });
    }
  };

  const drawAll = () => document.querySelectorAll("figure.chart").forEach((f) => draw(f).catch((e) => console.error(e)));

  // Charts are drawn as they come into sight.
  const watch = () => {
    if (!window.Plotly) return;
    if (!("IntersectionObserver" in window)) return drawAll();
    const seen = new IntersectionObserver((entries) => {
      for (const entry of entries) {
        if (entry.isIntersecting) {
          seen.unobserve(entry.target);
          draw(entry.target).catch((e) => console.error(e));
        }
      }
    }, { rootMargin: "300px" });
    document.querySelectorAll("figure.chart").forEach((f) => seen.observe(f));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      document.querySelectorAll("figure.chart.drawn").forEach((f) => draw(f));
    });
  };

  // The form: a changed field becomes an edit in the address, and the numbers follow.
  const live = () => {
    const form = document.getElementById("inputs");
    if (!form) return;
    const bare = (t) => t !== "" && !Number.isNaN(Number(t));
    const toml = (t) => (bare(t) || t === "true" || t === "false" || /^[[{"']/.test(t) ? t : JSON.stringify(t));
    const fields = [...form.querySelectorAll("input[data-base]")];
    let turn = 0;
    const recompute = async () => {
      const mine = ++turn;
      const query = new URLSearchParams();
      const keys = new Set(fields.map((f) => f.name.slice("field.".length)));
      for (const hidden of form.querySelectorAll('input[type="hidden"]')) {
        const key = hidden.value.split("=")[0];
        if (hidden.name !== "edits" || !keys.has(key)) query.append(hidden.name, hidden.value);
      }
      for (const f of fields) {
        const text = f.value.trim();
        const edited = text !== f.dataset.base;
        f.closest(".field").classList.toggle("edited", edited);
        f.removeAttribute("aria-invalid");
        if (edited) query.append("edits", f.name.slice("field.".length) + "=" + toml(text));
      }
      const tail = query.toString();
      const address = "/aircraft" + (tail ? "?" + tail : "");
      document.body.classList.add("busy");
      try {
        const answer = await fetch(address);
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        if (mine !== turn) return;
        document.querySelectorAll("[data-live]").forEach((old) => {
          const fresh = page.getElementById(old.id);
          if (fresh) old.replaceWith(fresh);
        });
        for (const f of fields) {
          const other = page.getElementById(f.id);
          if (other && other.getAttribute("aria-invalid")) f.setAttribute("aria-invalid", "true");
          const note = other && other.parentElement.querySelector("span.small");
          if (note) f.parentElement.querySelector("span.small").replaceWith(note);
        }
        history.replaceState(null, "", address);
      } finally {
        if (mine === turn) document.body.classList.remove("busy");
      }
    };
    form.addEventListener("change", () => { recompute().catch(() => form.submit()); });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      recompute().catch(() => form.submit());
    });
  };

  live();
  watch();
})();
