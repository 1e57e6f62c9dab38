// Draws a bay's level, set point and flow with uPlot in place of the still drawing: one crosshair
// over both, drag or pinch to look closer, a double tap to go back, and finer readings are
// fetched for the part looked at.
"use strict";
(() => {
  const box = document.getElementById("charts");
  if (!box || typeof uPlot === "undefined") return;
  const d = box.dataset, say = JSON.parse(d.words), ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
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

  // load fetches what is drawn between two moments, and sets curves: what the crosshair reads.
  let curves = [];
  const load = async (from, to) => {
    const mine = ++asked;
    const [level, set, flow, told] = await Promise.all([
      ask(d.level, from, to), ask(d.set, from, to), ask(d.flow, from, to),
      fetch(`/api/v1/events?bay=${d.bay}&from=${iso(whole.from)}&to=${iso(whole.to + 1)}`).then((a) => (a.ok ? a.json() : { events: [] })),
    ]);
    if (mine !== asked) return null;
    events = told.events.filter((e) => e.state === "raised" && !e.cause_id).map((e) => ({ t: Date.parse(e.since) / 1000, kind: say.kinds[e.kind] ?? e.kind }));
    const k = +d.depthScale, depth = [];
    curves = [];
    const curve = (name, word, times, values, unit, stands) => {
      curves.push({ name, word, times, values, unit, stands });
      return values;
    };
    if (level) depth.push([level.time_s, scaled(level.min, k), scaled(level.max, k), curve("", say.level, level.time_s, scaled(level.value, k), d.depthUnit)]);
    if (set) depth.push([set.time_s, curve("set", say.set, set.time_s, scaled(set.value, k), d.depthUnit, true)]);
    else if (d.fixed) depth.push([[from, to], curve("set", say.set, [from, to], [d.fixed * k, d.fixed * k], d.depthUnit, true)]);
    if (d.crest) curve("crest", say.crest, [from], [d.crest * k], d.depthUnit, true);
    if (flow) curve("", say.flow, flow.time_s, scaled(flow.max, +d.rateScale), d.rateUnit);
    return { depth: depth.length ? joined(depth) : null, rate: flow ? [flow.time_s, curves.at(-1).values] : null, hasSet: Boolean(set || d.fixed) };
  };

  // Events as broken lines; their words stand in the strip above the upper plot.
  const px = devicePixelRatio;
  const marks = {
    hooks: {
      draw: (u) => {
        const c = u.ctx, { left, top, width, height } = u.bbox;
        c.save();
        c.font = `650 ${12 * px}px Hyperlegible, sans-serif`;
        if (u === plots[0] && d.crest) {
          const y = u.valToPos(d.crest * d.depthScale, "y", true);
          if (y >= top && y <= top + height) {
            c.strokeStyle = ink("--clay");
            c.lineWidth = 2 * px;
            c.setLineDash([6 * px, 4 * px]);
            c.beginPath();
            c.moveTo(left, y);
            c.lineTo(left + width, y);
            c.stroke();
          }
        }
        c.strokeStyle = ink("--urgent");
        c.fillStyle = ink("--ink");
        c.lineWidth = 1.5 * px;
        c.setLineDash([4 * px, 3 * px]);
        let right = -1;
        for (const e of events) {
          const x = u.valToPos(e.t, "x", true);
          if (x < left || x > left + width) continue;
          c.beginPath();
          c.moveTo(x, top - (u === plots[0] ? 4 * px : 0));
          c.lineTo(x, top + height);
          c.stroke();
          const w = c.measureText(e.kind).width, at = Math.min(x, left + width - w);
          if (u !== plots[0] || at < right) continue; // the words of the one before stand there
          c.fillText(e.kind, at, top - 7 * px);
          right = at + w + 10 * px;
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
    legend: { show: false },
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
      setCursor: [(u) => read(u.cursor.left < 0 ? null : u.posToVal(u.cursor.left, "x"))],
    },
  });
  const axis = (extra) => ({ stroke: ink("--soft"), grid: { stroke: ink("--rule"), width: 1 }, ticks: { stroke: ink("--rule"), width: 1 }, font: "12px Hyperlegible, sans-serif", ...extra });
  const day = say.day, under = "\n" + day;
  const clock = { values: [[86400, day, null, null, null, null, null, null, 1], [3600, "{HH}:{mm}", under, null, under, null, null, null, 1], [60, "{HH}:{mm}", under, null, under, null, null, null, 1]] };
  const stamp = uPlot.fmtDate("{WWW} " + day + " {HH}:{mm}", say.names);
  const figure = (v, decimals) => v.toFixed(decimals).replace(".", say.point);

  // What the crosshair reads, in a line above the plots; without it, what the lines are.
  const line = document.createElement("p");
  line.className = "read";
  const read = (t) => {
    const time = document.createElement("time");
    time.textContent = t === null ? "" : stamp(zoned(t));
    line.replaceChildren(time, ...curves.map((c) => {
      const b = document.createElement("b"), v = t === null ? null : valueAt(c, t);
      b.className = c.name;
      b.textContent = c.word + (v === null ? `, ${c.unit}` : ` ${figure(v, c.unit === "in" ? 2 : 1)} ${c.unit}`);
      return b;
    }));
  };
  // The value at a moment: of the nearest step or, for what stands until it moves, of the one before.
  const valueAt = (c, t) => {
    let i = Math.max(0, c.times.findLastIndex((x) => x <= t));
    if (c.stands) while (i > 0 && c.values[i] === null) i--;
    else if (i + 1 < c.times.length && c.times[i + 1] - t < t - c.times[i]) i++;
    return c.values[i] ?? null;
  };

  // The crest belongs to the picture where it leaves the level's own movement readable.
  const depthRange = (u, lo, hi) => {
    if (lo === null) return [0, 1];
    const crest = d.crest * d.depthScale, room = Math.max(hi - lo, 4 * d.depthScale);
    if (d.crest && crest > hi && crest - hi < 2 * room) hi = crest;
    return [lo - room * 0.08, hi + room * 0.08];
  };
  const blank = (u, ticks) => ticks.map(() => "");

  const draw = (data) => {
    for (const p of plots) p.destroy();
    plots = [];
    box.querySelector(".still")?.remove();
    box.prepend(line);
    if (data.depth) {
      const series = [{}];
      if (d.level) series.push({ stroke: ink("--water-2") }, { stroke: ink("--water-2") }, { stroke: ink("--water"), width: 2 });
      if (data.hasSet) series.push({ stroke: ink("--ink"), width: 1.5, spanGaps: true });
      const o = common(250);
      o.scales.y = { range: depthRange };
      plots.push(new uPlot({ ...o, series, padding: [22, 20, 0, 0], bands: d.level ? [{ series: [2, 1], fill: ink("--water-2") }] : [],
        axes: [axis(data.rate ? { ...clock, values: blank, size: 8 } : clock), axis({ size: 44 })] }, data.depth, box));
    }
    if (data.rate) {
      plots.push(new uPlot({ ...common(150), series: [{}, { stroke: ink("--water"), fill: ink("--water-2"), width: 1.5 }], padding: [10, 20, 0, 0],
        axes: [axis(clock), axis({ size: 44 })] }, data.rate, box));
    }
    read(null);
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
