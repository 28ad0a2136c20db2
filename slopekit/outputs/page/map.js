// The map that moves: one canvas under Leaflet's hands, drawn anew after each move.
const state = { parcel: -1, zone: -1, shown: new Uint8Array(PARCELS ? PARCELS.count : 0).fill(1) };

const Sheet = L.Renderer.extend({
  _initContainer() {
    this._container = document.createElement("canvas");
    this._container.setAttribute("aria-hidden", "true");
  },
  _destroyContainer() {
    this._container.remove();
  },
  _updatePaths() {},
  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    // While a page is printed the map is not there.
    if (!this._map.getSize().x) return;
    this.whole = viewOf(this._map, this._map.containerPointToLatLng([0, 0]), this._map.getSize());
    const { min } = this._bounds, size = this._bounds.getSize(), ratio = Math.min(window.devicePixelRatio || 1, 2);
    L.DomUtil.setPosition(this._container, min);
    this._container.width = size.x * ratio;
    this._container.height = size.y * ratio;
    this._container.style.width = `${size.x}px`;
    this._container.style.height = `${size.y}px`;
    this.view = viewOf(this._map, this._map.layerPointToLatLng(min), size);
    this.repaint();
  },
  repaint() {
    if (!this.view) return;
    const ratio = this._container.width / this.view.width;
    paint(this._container.getContext("2d"), this.view, ratio, state.shown, state);
  },
});

function viewOf(map, corner, size) {
  const scale = map.options.crs.scale(map.getZoom()) * STEP;
  return { scale, left: corner.lng / STEP, top: corner.lat / STEP, width: size.x, height: size.y };
}

function boundsOf(box, s) {
  return L.latLngBounds([[box[4 * s + 1] * STEP, box[4 * s] * STEP], [box[4 * s + 3] * STEP, box[4 * s + 2] * STEP]]);
}

function makeMap(onPick) {
  const map = L.map("map", {
    crs: L.CRS.Simple, attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.75, minZoom: -10, maxZoom: 6,
    wheelPxPerZoomLevel: 90,
  });
  const us = DATA.units.name === "us";
  L.control.scale({ metric: !us, imperial: us, maxWidth: 140 }).addTo(map);
  const sheet = new Sheet({ padding: 0.25 });
  const whole = PARCELS && PARCELS.count ? L.latLngBounds([]) : L.latLngBounds([[0, 0], [100, 100]]);
  if (PARCELS) for (let n = 0; n < PARCELS.count; n++) whole.extend(boundsOf(PARCELS.shapes.box, n));
  map.fitBounds(whole, { padding: [18, 18], animate: false });
  map.setMaxBounds(whole.pad(1.5));
  sheet.addTo(map);
  const box = map.getContainer();
  box.append(el("span", { class: "cross", "aria-hidden": "true" }), el("span", { class: "north", "aria-hidden": "true" }, "N"));
  box.querySelectorAll("a").forEach((a) => a.setAttribute("href", "#map"));
  map.on("click", (event) => onPick(hit(event.latlng, map), false));
  box.addEventListener("pointerdown", () => box.classList.remove("keyed"));
  box.addEventListener("keyup", () => box.classList.add("keyed"));
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === box) onPick(hit(map.getCenter(), map), true);
  });
  // The list answers first; what is typed meanwhile is drawn once.
  let waits = 0;
  const repaint = () => {
    cancelAnimationFrame(waits);
    waits = requestAnimationFrame(() => sheet.repaint());
  };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(box);
  const go = (bounds) => map.fitBounds(bounds, { padding: [40, 40], maxZoom: 4, animate: false });
  return {
    repaint,
    all: () => go(whole),
    show: (shapes_, s, always) => {
      // What is read beside it may have made the map smaller.
      map.invalidateSize({ animate: false, pan: false });
      const bounds = boundsOf(shapes_.box, s);
      if (always || !map.getBounds().contains(bounds)) go(bounds);
      else repaint();
    },
    print: (canvas) => {
      const ratio = 2, view = sheet.whole;
      canvas.width = view.width * ratio;
      canvas.height = view.height * ratio;
      paint(canvas.getContext("2d"), view, ratio, state.shown, state);
    },
  };
}

// What lies at a place: the zone, else the parcel or its mark.
function hit(place, map) {
  const x = place.lng / STEP, y = place.lat / STEP, none = { parcel: -1, zone: -1 };
  if (!PARCELS) return none;
  for (let n = 0; ZONES && n < ZONES.count; n++) {
    if (state.shown[ZONES.parcel[n]] && holds(ZONES.shapes, n, x, y)) return { parcel: ZONES.parcel[n], zone: n };
  }
  let best = -1, least = 16 / (map.options.crs.scale(map.getZoom()) * STEP);
  for (let n = 0; n < PARCELS.count; n++) {
    if (!state.shown[n]) continue;
    if (holds(PARCELS.shapes, n, x, y)) return { parcel: n, zone: -1 };
    const far = Math.hypot(PARCELS.place[2 * n] - x, PARCELS.place[2 * n + 1] - y);
    if (far < least) { least = far; best = n; }
  }
  return { parcel: best, zone: -1 };
}

// Whether a shape holds a point: a ray to the east crosses its rings an odd number of times.
function holds(all, s, x, y) {
  const { first, start, xy, box } = all;
  if (x < box[4 * s] || y < box[4 * s + 1] || x > box[4 * s + 2] || y > box[4 * s + 3]) return false;
  let inside = false;
  for (let r = first[s]; r < first[s + 1]; r++) {
    for (let p = start[r], q = start[r + 1] - 1; p < start[r + 1]; q = p++) {
      const y1 = xy[2 * p + 1], y2 = xy[2 * q + 1];
      if (y1 > y !== y2 > y && x < ((xy[2 * q] - xy[2 * p]) * (y - y1)) / (y2 - y1) + xy[2 * p]) inside = !inside;
    }
  }
  return inside;
}
