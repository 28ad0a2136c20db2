// Draws the ground of a view on a canvas: on the map, and for print. A view has `scale` (pixels a step), `left` and
// `top` (steps), `width` and `height` (pixels).
const TILE = 8;
const SMALL = 9; // pixels below which a parcel is a mark

function colours() {
  const style = getComputedStyle(document.documentElement);
  return (name) => style.getPropertyValue(`--${name}`).trim();
}

function hatched(ctx, mark, view, ratio) {
  if (!mark.hatch) return null;
  const tile = document.createElement("canvas");
  tile.width = tile.height = TILE * ratio;
  const t = tile.getContext("2d");
  t.scale(ratio, ratio);
  t.strokeStyle = t.fillStyle = mark.ink;
  t.lineWidth = 1.1;
  t.beginPath();
  const h = TILE / 2;
  if (mark.hatch === "/" || mark.hatch === "x") for (const o of [-h, h, 3 * h]) { t.moveTo(o - h, h); t.lineTo(o + h, -h); t.moveTo(o - h, 3 * h); t.lineTo(o + h, h); }
  if (mark.hatch === "\\" || mark.hatch === "x") for (const o of [-h, h, 3 * h]) { t.moveTo(o - h, -h); t.lineTo(o + h, h); t.moveTo(o - h, h); t.lineTo(o + h, 3 * h); }
  if (mark.hatch === "-") { t.moveTo(0, h); t.lineTo(TILE, h); }
  if (mark.hatch === "|") { t.moveTo(h, 0); t.lineTo(h, TILE); }
  t.stroke();
  if (mark.hatch === ".") { t.beginPath(); t.arc(h, h, 1.3, 0, 7); t.fill(); }
  const pattern = ctx.createPattern(tile, "repeat");
  // Bound to the ground, so that it does not swim when the map moves.
  const ox = -((view.left * view.scale) % TILE), oy = (view.top * view.scale) % TILE;
  pattern.setTransform(new DOMMatrix([1 / ratio, 0, 0, 1 / ratio, ox, oy]));
  return pattern;
}

function inView(box, s, view) {
  const right = view.left + view.width / view.scale, bottom = view.top - view.height / view.scale;
  return box[4 * s] <= right && box[4 * s + 2] >= view.left && box[4 * s + 1] <= view.top && box[4 * s + 3] >= bottom;
}

// Adds a shape to the path of the canvas; points that fall on one pixel are left out.
function trace(ctx, all, s, view, closed) {
  const { first, start, xy, box } = all, k = view.scale;
  const wide = (box[4 * s + 2] - box[4 * s]) * k, high = (box[4 * s + 3] - box[4 * s + 1]) * k;
  if (closed && wide < 1.5 && high < 1.5) {
    ctx.rect((box[4 * s] - view.left) * k, (view.top - box[4 * s + 3]) * k, Math.max(wide, 0.7), Math.max(high, 0.7));
    return;
  }
  for (let r = first[s]; r < first[s + 1]; r++) {
    let lx = NaN, ly = NaN;
    const last = start[r + 1] - 1;
    for (let p = start[r]; p <= last; p++) {
      const x = (xy[2 * p] - view.left) * k, y = (view.top - xy[2 * p + 1]) * k;
      if (p === start[r]) ctx.moveTo(x, y);
      else if (p < last && Math.abs(x - lx) < 0.8 && Math.abs(y - ly) < 0.8) continue;
      else ctx.lineTo(x, y);
      lx = x;
      ly = y;
    }
    if (closed) ctx.closePath();
  }
}

function arrow(ctx, all, s, view) {
  const p = all.start[all.first[s + 1]] - 1;
  const at = (n) => [(all.xy[2 * n] - view.left) * view.scale, (view.top - all.xy[2 * n + 1]) * view.scale];
  const [x, y] = at(p), [u, v] = at(p - 1), turn = Math.atan2(y - v, x - u);
  ctx.beginPath();
  for (const side of [-0.5, 0.5]) {
    ctx.moveTo(x, y);
    ctx.lineTo(x - 9 * Math.cos(turn + side), y - 9 * Math.sin(turn + side));
  }
  ctx.stroke();
}

function words(ctx, text, x, y, ink, halo) {
  ctx.lineWidth = 3;
  ctx.strokeStyle = halo;
  ctx.strokeText(text, x, y);
  ctx.fillStyle = ink;
  ctx.fillText(text, x, y);
}

// shown: 1 for each parcel that the list holds. chosen: { parcel, zone }, -1 for none.
function paint(ctx, view, ratio, shown, chosen) {
  const ink = colours();
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  ctx.clearRect(0, 0, view.width, view.height);
  ctx.lineJoin = "round";
  if (!PARCELS) return;
  const metre = view.scale / STEP;
  if (WATER) paintWater(ctx, view, ratio);
  if (ZONES) paintZones(ctx, view, ratio, shown);
  paintParcels(ctx, view, shown, ink);
  if (DROPS && metre > 0.15) paintDrops(ctx, view, ink, metre);
  if (PATHS) paintPaths(ctx, view, ink, metre, chosen, shown);
  if (chosen.zone >= 0) outline(ctx, ZONES.shapes, chosen.zone, view, ink);
  else if (chosen.parcel >= 0) outline(ctx, PARCELS.shapes, chosen.parcel, view, ink);
  paintNames(ctx, view, ink, metre, shown);
}

function paintWater(ctx, view, ratio) {
  DATA.waters.forEach((mark, k) => {
    ctx.beginPath();
    for (let s = 0; s < WATER.shapes.count; s++) {
      if (WATER.origin[s] === k && inView(WATER.shapes.box, s, view)) trace(ctx, WATER.shapes, s, view, true);
    }
    if (mark.fill) { ctx.fillStyle = mark.fill; ctx.fill("evenodd"); }
    const hatch = hatched(ctx, mark, view, ratio);
    if (hatch) { ctx.fillStyle = hatch; ctx.fill("evenodd"); }
    ctx.strokeStyle = mark.line;
    ctx.lineWidth = 1.2;
    ctx.stroke();
  });
}

function paintZones(ctx, view, ratio, shown) {
  const seen = [];
  for (let s = 0; s < ZONES.count; s++) {
    if (shown[ZONES.parcel[s]] && inView(ZONES.shapes.box, s, view)) seen.push(s);
  }
  DATA.classes.forEach((mark, k) => {
    ctx.beginPath();
    for (const s of seen) if (ZONES.cls[s] === k) trace(ctx, ZONES.shapes, s, view, true);
    ctx.fillStyle = mark.fill;
    ctx.fill("evenodd");
    // Farther off a zone is smaller than one cell of its hatch.
    const hatch = view.scale / STEP > 0.12 ? hatched(ctx, mark, view, ratio) : null;
    if (hatch) { ctx.fillStyle = hatch; ctx.fill("evenodd"); }
    if (view.scale / STEP > 0.3) {
      ctx.strokeStyle = "#2e2b28";
      ctx.lineWidth = 0.8;
      ctx.stroke();
    }
  });
}

function paintParcels(ctx, view, shown, ink) {
  const { box, count: n } = PARCELS.shapes;
  for (const within of [0, 1]) {
    ctx.beginPath();
    for (let s = 0; s < n; s++) {
      if (shown[s] !== within || !inView(box, s, view)) continue;
      const wide = (box[4 * s + 2] - box[4 * s]) * view.scale, high = (box[4 * s + 3] - box[4 * s + 1]) * view.scale;
      if (Math.max(wide, high) >= SMALL) { trace(ctx, PARCELS.shapes, s, view, true); continue; }
      const x = (PARCELS.place[2 * s] - view.left) * view.scale, y = (view.top - PARCELS.place[2 * s + 1]) * view.scale;
      ctx.moveTo(x, y - SMALL / 2);
      ctx.lineTo(x + SMALL / 2, y);
      ctx.lineTo(x, y + SMALL / 2);
      ctx.lineTo(x - SMALL / 2, y);
      ctx.closePath();
    }
    ctx.strokeStyle = ink(within ? "parcel" : "faint");
    ctx.lineWidth = within ? 1.6 : 0.8;
    ctx.stroke();
  }
}

function paintDrops(ctx, view, ink, metre) {
  ctx.beginPath();
  const seen = [];
  for (let s = 0; s < DROPS.shapes.count; s++) {
    if (inView(DROPS.shapes.box, s, view)) { trace(ctx, DROPS.shapes, s, view, false); seen.push(s); }
  }
  ctx.strokeStyle = ink("halo");
  ctx.lineWidth = 5;
  ctx.stroke();
  ctx.strokeStyle = ink("drop");
  ctx.lineWidth = 2.6;
  ctx.stroke();
  if (metre < 2) return;
  ctx.font = "600 12px system-ui, sans-serif";
  for (const s of seen) {
    if (Number.isNaN(DROPS.height[s])) continue;
    const r = DROPS.shapes.first[s], p = (DROPS.shapes.start[r] + DROPS.shapes.start[r + 1]) >> 1;
    const x = (DROPS.shapes.xy[2 * p] - view.left) * view.scale, y = (view.top - DROPS.shapes.xy[2 * p + 1]) * view.scale;
    words(ctx, lengthWords(DROPS.height[s]), x + 6, y - 5, ink("drop"), ink("halo"));
  }
}

function paintPaths(ctx, view, ink, metre, chosen, shown) {
  for (let s = 0; s < PATHS.shapes.count; s++) {
    const own = PATHS.zone[s] === chosen.zone;
    if ((!own && metre < 0.8) || !shown[ZONES.parcel[PATHS.zone[s]]] || !inView(PATHS.shapes.box, s, view)) continue;
    ctx.beginPath();
    trace(ctx, PATHS.shapes, s, view, false);
    ctx.strokeStyle = ink("halo");
    ctx.lineWidth = own ? 6 : 4;
    ctx.stroke();
    ctx.strokeStyle = ink("path");
    ctx.lineWidth = own ? 3.2 : 1.6;
    ctx.stroke();
    arrow(ctx, PATHS.shapes, s, view);
  }
}

function outline(ctx, all, s, view, ink) {
  ctx.beginPath();
  trace(ctx, all, s, view, true);
  ctx.strokeStyle = ink("halo");
  ctx.lineWidth = 7;
  ctx.stroke();
  ctx.strokeStyle = ink("chosen");
  ctx.lineWidth = 3.5;
  ctx.stroke();
}

function paintNames(ctx, view, ink, metre, shown) {
  ctx.textBaseline = "middle";
  ctx.textAlign = "center";
  const at = (place, n) => [(place[2 * n] - view.left) * view.scale, (view.top - place[2 * n + 1]) * view.scale];
  const roomy = (box, n, room) =>
    Math.min(box[4 * n + 2] - box[4 * n], box[4 * n + 3] - box[4 * n + 1]) * view.scale > room && inView(box, n, view);
  if (ZONES && metre > 0.8) {
    ctx.font = "12px system-ui, sans-serif";
    for (let n = 0; n < ZONES.count; n++) {
      if (shown[ZONES.parcel[n]] && roomy(ZONES.shapes.box, n, 26)) {
        words(ctx, ZONES.name[n], ...at(ZONES.place, n), ink("ink"), ink("halo"));
      }
    }
  }
  ctx.font = "600 13px system-ui, sans-serif";
  for (let n = 0; n < PARCELS.count; n++) {
    if (!shown[n] || !roomy(PARCELS.shapes.box, n, 34)) continue;
    const { box } = PARCELS.shapes;
    const x = ((box[4 * n] + box[4 * n + 2]) / 2 - view.left) * view.scale, y = (view.top - box[4 * n + 3]) * view.scale;
    words(ctx, PARCELS.id[n], x, y - 9, ink("ink"), ink("halo"));
  }
}
