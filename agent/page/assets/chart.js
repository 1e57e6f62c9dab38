// Draws a bay's level, set point and flow with uPlot in place of the still drawing: one crosshair
// over both, drag or pinch to look closer, a double tap to go back, and finer readings are
// fetched for the part looked at.
"use strict";
(() => {
  const box = document.getElementById("charts");
  if (!box || typeof uPlot === "undefined") return;
  const d = box.dataset, ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const whole = { from: +d.from, to: +d.to };
  let seen = { ...whole }, plots = [], events = [], asked = 0, timer = 0;

  const stepFor = (from, to) => {
    const want = (to - from) / 700 / 60;
    return (want > 60 ? Math.ceil(want / 60) * 60 : Math.max(1, Math.ceil(want))) + "m";
  };
  const iso = (s) => new Date(s * 1000).toISOString();
  const ask = async (point, from, to) => {
    if (!point) return null;
    const a = await fetch(`/api/v1/points/${point}?from=${iso(from)}&to=${iso(to)}&step=${stepFor(from, to)}`);
    if (!a.ok) throw new Error(a.statusText);
    return a.json();
  };
  const scaled = (column, k) => column.map((v) => (v === null ? null : v * k));

  // Columns of several points on one axis of time.
  const joined = (parts) => uPlot.join(parts, parts.map((p) => p.slice(1).map(() => 2)));

  const load = async (from, to) => {
    const mine = ++asked;
    const [level, set, flow, told] = await Promise.all([
      ask(d.level, from, to), ask(d.set, from, to), ask(d.flow, from, to),
      fetch(`/api/v1/events?bay=${d.bay}&from=${iso(whole.from)}&to=${iso(whole.to + 1)}`).then((a) => (a.ok ? a.json() : { events: [] })),
    ]);
    if (mine !== asked) return null;
    events = told.events.filter((e) => e.state === "raised" && !e.cause_id).map((e) => ({ t: Date.parse(e.since) / 1000, kind: e.kind.replaceAll("-", " ") }));
    const k = +d.depthScale, parts = [];
    if (level) parts.push([level.time_s, scaled(level.min, k), scaled(level.max, k), scaled(level.value, k)]);
    if (set) parts.push([set.time_s, scaled(set.value, k)]);
    else if (d.fixed) parts.push([[from, to], [d.fixed * k, d.fixed * k]]);
    return { depth: parts.length ? joined(parts) : null, rate: flow ? [flow.time_s, scaled(flow.max, +d.rateScale)] : null, hasSet: Boolean(set || d.fixed) };
  };

  const marks = {
    hooks: {
      draw: (u) => {
        const c = u.ctx;
        c.save();
        c.strokeStyle = ink("--urgent");
        c.fillStyle = ink("--ink");
        c.font = `${12 * devicePixelRatio}px Hyperlegible, sans-serif`;
        c.setLineDash([4 * devicePixelRatio, 3 * devicePixelRatio]);
        c.textAlign = "left";
        let right = -1;
        for (const e of events) {
          const x = u.valToPos(e.t, "x", true);
          if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) continue;
          c.beginPath();
          c.moveTo(x, u.bbox.top);
          c.lineTo(x, u.bbox.top + u.bbox.height);
          c.stroke();
          const w = c.measureText(e.kind).width;
          if (x < right) continue; // the words of the one before stand there
          const at = Math.min(x + 5 * devicePixelRatio, u.bbox.left + u.bbox.width - w);
          c.fillText(e.kind, at, u.bbox.top + 12 * devicePixelRatio);
          right = at + w;
        }
        c.restore();
      },
    },
  };

  const look = (from, to) => {
    const least = 10 * 60;
    if (to - from < least) {
      const mid = (from + to) / 2;
      [from, to] = [mid - least / 2, mid + least / 2];
    }
    const width = Math.min(to - from, whole.to - whole.from);
    from = Math.max(whole.from, Math.min(from, whole.to - width));
    seen = { from, to: from + width };
    for (const p of plots) p.setScale("x", { min: seen.from, max: seen.to });
    clearTimeout(timer);
    timer = setTimeout(redraw, 250);
  };

  // Two fingers stretch, one finger moves what is already stretched; the page scrolls otherwise.
  const touch = {
    hooks: {
      init: (u) => {
        const held = new Map();
        let start = null;
        const grip = () => [...held.values()].map((p) => p.x);
        const begin = () => { start = { xs: grip(), ...seen }; };
        u.over.addEventListener("pointerdown", (e) => {
          if (e.pointerType !== "touch") return;
          held.set(e.pointerId, { x: e.offsetX });
          begin();
        });
        u.over.addEventListener("pointermove", (e) => {
          if (!held.has(e.pointerId)) return;
          held.get(e.pointerId).x = e.offsetX;
          const width = u.over.clientWidth, xs = grip(), perPx = (start.to - start.from) / width;
          if (xs.length === 1 && (start.from > whole.from || start.to < whole.to)) {
            const by = (start.xs[0] - xs[0]) * perPx;
            look(start.from + by, start.to + by);
          } else if (xs.length === 2) {
            const before = Math.abs(start.xs[0] - start.xs[1]) || 1, after = Math.abs(xs[0] - xs[1]) || 1;
            const mid = start.from + ((start.xs[0] + start.xs[1]) / 2) * perPx, k = before / after;
            look(mid - (mid - start.from) * k, mid + (start.to - mid) * k);
          }
        });
        for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
          u.over.addEventListener(end, (e) => { if (held.delete(e.pointerId) && held.size) begin(); });
        }
      },
    },
  };

  const zoned = (s) => uPlot.tzDate(new Date(s * 1000), d.zone);
  const common = (height) => ({
    width: box.clientWidth, height, tzDate: zoned,
    cursor: { sync: { key: "bay" }, drag: { x: true, y: false, setScale: false } },
    scales: { x: { min: seen.from, max: seen.to } },
    plugins: [marks, touch],
    hooks: {
      setSelect: [(u) => {
        if (u.select.width < 8) return;
        const from = u.posToVal(u.select.left, "x"), to = u.posToVal(u.select.left + u.select.width, "x");
        u.setSelect({ left: 0, width: 0 }, false);
        look(from, to);
      }],
      init: [(u) => u.over.addEventListener("dblclick", () => look(whole.from, whole.to))],
    },
  });
  const axis = (extra) => ({ stroke: ink("--soft"), grid: { stroke: ink("--rule"), width: 1 }, ticks: { stroke: ink("--rule"), width: 1 }, font: "12px Hyperlegible, sans-serif", ...extra });
  const clock = { values: [[86400, "{D} {MMM}", null, null, null, null, null, null, 1], [3600, "{HH}:{mm}", "\n{D} {MMM}", null, "\n{D} {MMM}", null, null, null, 1], [60, "{HH}:{mm}", "\n{D} {MMM}", null, "\n{D} {MMM}", null, null, null, 1]] };
  const number = (unit) => (u, v) => (v === null || v === undefined ? "–" : v.toFixed(unit === "in" ? 2 : 1) + " " + unit);
  const when = { value: "{WWW} {D} {MMM} {HH}:{mm}" };

  const draw = (data) => {
    for (const p of plots) p.destroy();
    plots = [];
    box.querySelector(".still")?.remove();
    if (data.depth) {
      const series = [when];
      if (d.level) series.push({ label: "least", stroke: ink("--water-2"), value: number(d.depthUnit) }, { label: "most", stroke: ink("--water-2"), value: number(d.depthUnit) },
        { label: "Level", stroke: ink("--water"), width: 2, value: number(d.depthUnit) });
      if (data.hasSet) series.push({ label: "Set point", stroke: ink("--ink"), width: 1.5, spanGaps: true, value: number(d.depthUnit) });
      plots.push(new uPlot({ ...common(260), series, bands: d.level ? [{ series: [2, 1], fill: ink("--water-2") }] : [], axes: [axis(clock), axis({ label: d.depthUnit, labelSize: 18, size: 46 })] }, data.depth, box));
    }
    if (data.rate) {
      plots.push(new uPlot({ ...common(170), series: [when, { label: "Flow", stroke: ink("--water"), fill: ink("--water-2"), width: 1.5, value: number(d.rateUnit) }],
        axes: [axis(clock), axis({ label: d.rateUnit, labelSize: 18, size: 46 })] }, data.rate, box));
    }
    box.dataset.drawn = String(plots.length);
  };

  const redraw = async () => {
    try {
      const data = await load(seen.from, seen.to);
      if (data) draw(data);
    } catch {
      // The still drawing, or the curves before, stay.
    }
  };
  new ResizeObserver(() => { for (const p of plots) p.setSize({ width: box.clientWidth, height: p.height }); }).observe(box);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => redraw());
  redraw();
})();
