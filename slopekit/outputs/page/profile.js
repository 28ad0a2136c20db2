// The path from a zone down to a hazard as a drawing: ground, energy line, what it ends in.
const SVG = "http://www.w3.org/2000/svg";

function draw(tag, attributes, text) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text !== undefined) node.append(text);
  return node;
}

// The greatest 1, 2 or 5 times a power of ten that is not over `most`.
function roundLength(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return Math.max(...[1, 2, 5].map((m) => m * power).filter((v) => v <= most * (1 + 1e-9)));
}

function pathWords(p) {
  const kind = HAZARD_WORDS[DATA.hazards[PATHS.hazard[p]]];
  const start = PATHS.start[p];
  const pushed = start < 1 ? "A machine that begins to roll" : `A machine out of control at ${speedWords(start)}`;
  return `${pushed} at the top gets to ${kind} after ${lengthWords(PATHS.length[p])}, ` +
    `${lengthWords(Math.abs(PATHS.fall[p]))} ${PATHS.fall[p] < 0 ? "higher" : "lower"}${PATHS.across[p] ? ", by a path across the face" : ""}, and arrives at ${speedWords(PATHS.arrival[p])}.`;
}

function profileOf(p) {
  const from = PATHS.first[p], to = PATHS.first[p + 1];
  if (to - from < 2) return null;
  const unit = DATA.units.length;
  const x = Array.from(PATHS.distance.subarray(from, to), (v) => v * unit[1]);
  const base = PATHS.height[to - 1];
  const z = Array.from(PATHS.height.subarray(from, to), (v) => (v - base) * unit[1]);
  const head = Array.from(PATHS.head.subarray(from, to), (v) => v * unit[1]);
  const line = z.map((v, n) => v + Math.max(head[n], 0));
  const width = 560, left = 46, right = 96, above = 26, below = 30;
  const top = Math.max(...line, ...z), low = Math.min(...z), span = Math.max(top - low, 0.02 * x[x.length - 1], 0.1);
  const wide = width - left - right, per = wide / x[x.length - 1];
  // Heights to scale where that can be read, else twice, five, ten times.
  const times = [1, 2, 5, 10].find((t) => t * span * per >= 70) || 10;
  const high = Math.max(span * per * times, 8), height = above + high + below;
  const up = high / span;
  const px = (v) => (left + v * per).toFixed(1), py = (v) => (above + (top - v) * up).toFixed(1);
  const route = (ys) => ys.map((v, n) => `${n ? "L" : "M"}${px(x[n])} ${py(v)}`).join("");
  const floor = (above + high + 8).toFixed(1), end = x.length - 1, kind = DATA.hazards[PATHS.hazard[p]];
  const svg = draw("svg", { viewBox: `0 0 ${width} ${height.toFixed(0)}`, class: "profile", role: "img" });
  svg.append(draw("title", {}, `Profile of the path down. ${pathWords(p)}`));
  const back = line.map((v, n) => `L${px(x[end - n])} ${py(line[end - n])}`).join("");
  svg.append(draw("path", { class: "energy", d: `${route(z)}${back}Z` }));
  svg.append(draw("path", { class: "earth", d: `${route(z)}L${px(x[end])} ${floor}L${px(0)} ${floor}Z` }));
  svg.append(draw("path", { class: "soil", d: route(z) }));
  svg.append(draw("path", { class: "line", d: route(line) }));
  const gx = Number(px(x[end])), gy = Number(py(0));
  if (kind === "drop") {
    svg.append(draw("path", { class: "fall", d: `M${gx} ${gy}v${(Number(floor) - gy).toFixed(1)}m-5 -7l5 7l5 -7` }));
  } else {
    svg.append(draw("path", { class: kind === "water" ? "wet" : "road", d: `M${gx} ${gy}H${width}` }));
  }
  svg.append(draw("circle", { class: "begin", cx: px(0), cy: py(line[0]), r: 3.5 }));
  svg.append(draw("text", { x: px(0), y: Number(py(line[0])) - 9, class: "strong" }, "start"));
  const words = { water: "water", drop: "drop", hazard: "road or other" }[kind] || kind;
  svg.append(draw("text", { x: gx + 7, y: gy - 20, class: "strong" }, words));
  svg.append(draw("text", { x: gx + 7, y: gy - 6 }, speedWords(PATHS.arrival[p])));
  const tick = roundLength(x[end] / 1.9);
  for (let v = 0; v <= x[end] + 1e-9; v += tick) {
    svg.append(draw("path", { class: "tick", d: `M${px(v)} ${floor}v4` }));
    svg.append(draw("text", { x: px(v), y: Number(floor) + 16, "text-anchor": "middle" }, `${+v.toPrecision(6)} ${unit[0]}`));
  }
  const rise = roundLength(span / 1.2);
  for (let v = 0; v <= top + 1e-9; v += rise) {
    svg.append(draw("path", { class: "tick", d: `M${left - 4} ${py(v)}h4` }));
    svg.append(draw("text", { x: left - 6, y: Number(py(v)) + 4, "text-anchor": "end" }, `${+v.toPrecision(6)} ${unit[0]}`));
  }
  return el("figure", {},
    svg,
    el("figcaption", {},
      el("p", {}, pathWords(p)),
      el("p", { class: "quiet" },
        "Thick line: the ground. Upper line: its energy line, how high the machine could still climb; what it has over " +
        `the ground is its speed.${times > 1 ? ` Heights are drawn ${times} times as large.` : ""}`)));
}
