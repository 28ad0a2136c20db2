// The data of the page: columns of whole numbers, five bits a character (packed.py writes them).
const DATA = JSON.parse(document.getElementById("data").textContent);
const STEP = 0.1; // metres of one step of a coordinate
const PLACE_OF = new Uint8Array(128);
Array.from("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_").forEach((c, n) => {
  PLACE_OF[c.charCodeAt(0)] = n;
});

function unpack(text) {
  const out = new Float64Array(text.length);
  let count = 0, value = 0, weight = 1;
  for (let n = 0; n < text.length; n++) {
    const digit = PLACE_OF[text.charCodeAt(n)];
    value += (digit & 31) * weight;
    if (digit & 32) weight *= 32;
    else { out[count++] = value; value = 0; weight = 1; }
  }
  return out.slice(0, count);
}

function unpackSigned(text) {
  return unpack(text).map((v) => (v % 2 ? -(v + 1) / 2 : v / 2));
}

// Numbers of 0 and more; NaN is a missing one.
function column(text, step) {
  return unpack(text).map((v) => (v ? (v - 1) * step : NaN));
}

function sums(counts) {
  const out = new Uint32Array(counts.length + 1);
  for (let n = 0; n < counts.length; n++) out[n + 1] = out[n] + counts[n];
  return out;
}

// Running sums of pairs.
function places(text) {
  const steps = unpackSigned(text);
  for (let n = 2; n < steps.length; n++) steps[n] += steps[n - 2];
  return steps;
}

// Rings or lines of each shape: `first` of each shape, `start` of each ring, `xy` by turns, `box` of each shape.
function shapes(told, kind) {
  const first = sums(unpack(told[kind])), start = sums(unpack(told.points));
  const xy = Int32Array.from(places(told.steps));
  const box = new Int32Array(4 * (first.length - 1));
  for (let s = 0; s + 1 < first.length; s++) {
    let w = Infinity, e = -Infinity, b = Infinity, t = -Infinity;
    for (let p = start[first[s]]; p < start[first[s + 1]]; p++) {
      const x = xy[2 * p], y = xy[2 * p + 1];
      if (x < w) w = x;
      if (x > e) e = x;
      if (y < b) b = y;
      if (y > t) t = y;
    }
    box.set([w, b, e, t], 4 * s);
  }
  return { first, start, xy, box, count: first.length - 1 };
}

// Sentences whose figures were taken out, put together again.
function sharedTexts(told) {
  const first = sums(unpack(told.counts)), which = unpack(told.sentences);
  const figures = told.figures ? told.figures.split(" ") : [];
  const gaps = told.patterns.map((p) => p.split("\ue000").length - 1);
  const at = sums(Array.from(which, (w) => gaps[w]));
  return (n) => {
    const out = [];
    for (let k = first[n]; k < first[n + 1]; k++) {
      const parts = told.patterns[which[k]].split("\ue000");
      out.push(parts.reduce((text, part, i) => text + figures[at[k] + i - 1] + part));
    }
    return out.join(" ");
  };
}

function readParcels(told) {
  const square = (text) => column(text, 0.01);
  const out = {
    id: told.id, count: told.id.length, area: square(told.area), unknown: square(told.unknown),
    byClass: told.by_class.map(square), hazards: unpack(told.hazards), place: places(told.place),
    degrees: places(told.degrees), hours: told.hours ? told.hours.map((one) => column(one, 0.01)) : null,
    page: told.page ? unpack(told.page) : null, shapes: shapes(told, "rings"),
  };
  const left = DATA.classes.findIndex((c) => c.code === "excluded");
  const hand = DATA.classes.findIndex((c) => c.code === "hand crew");
  const none = DATA.classes.findIndex((c) => c.code === "none");
  out.judged = new Float64Array(out.count);
  out.byClass.forEach((areas, k) => { if (k !== left) areas.forEach((a, n) => { out.judged[n] += a || 0; }); });
  const part = (areas) => Float64Array.from(areas, (a, n) => (out.judged[n] ? (a || 0) / out.judged[n] : 0));
  out.hand = part(out.byClass[hand]);
  out.none = part(out.byClass[none]);
  out.notKnown = part(out.unknown);
  return out;
}

function readZones(told) {
  const parcel = unpack(told.parcel);
  for (let n = 1; n < parcel.length; n++) parcel[n] += parcel[n - 1];
  return {
    name: told.name, count: told.name.length, parcel, cls: unpack(told.class), way: unpack(told.way),
    hazard: unpack(told.hazard), area: column(told.area, 0.1), slope: column(told.slope, 0.1),
    marginal: column(told.marginal, 0.001), note: sharedTexts(told.note), place: places(told.place),
    shapes: shapes(told, "rings"),
  };
}

function readRefusals(told) {
  return { first: sums(unpack(told.counts)), what: unpack(told.what), shares: column(told.shares, 0.001) };
}

function readPaths(told) {
  const first = sums(unpack(told.sizes));
  const along = (text, step) => {
    const out = unpackSigned(text);
    for (let p = 0; p + 1 < first.length; p++) {
      for (let n = first[p] + 1; n < first[p + 1]; n++) out[n] += out[n - 1];
    }
    return out.map((v) => v * step);
  };
  const zone = unpack(told.zone);
  return {
    zone, of: new Map(Array.from(zone, (z, n) => [z, n])), hazard: unpack(told.hazard), across: unpack(told.across),
    length: column(told.length, 0.1), fall: unpackSigned(told.fall).map((v) => v * 0.01), start: column(told.start, 0.1),
    arrival: column(told.arrival, 0.1), first, distance: along(told.distance, 0.1), height: along(told.height, 0.01),
    head: unpackSigned(told.head).map((v) => v * 0.01), speed: column(told.speed, 0.1), shapes: shapes(told, "lines"),
  };
}

const PARCELS = DATA.parcels ? readParcels(DATA.parcels) : null;
const ZONES = DATA.zones ? readZones(DATA.zones) : null;
const REFUSALS = DATA.refusals ? readRefusals(DATA.refusals) : null;
const PATHS = DATA.paths ? readPaths(DATA.paths) : null;
const WATER = DATA.water ? { origin: unpack(DATA.water.origin), shapes: shapes(DATA.water, "rings") } : null;
const DROPS = DATA.drops ? { height: column(DATA.drops.height, 0.01), shapes: shapes(DATA.drops, "lines") } : null;
// Zones lie parcel by parcel.
const ZONES_FROM = PARCELS && ZONES ? (() => {
  const counts = new Float64Array(PARCELS.count);
  ZONES.parcel.forEach((p) => { counts[p] += 1; });
  return sums(counts);
})() : null;
