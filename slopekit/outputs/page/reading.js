// What is said of the chosen parcel or zone.
function chip(k) {
  return el("span", { class: "chip" }, swatch(k), DATA.classes[k].label);
}

function pairs(...rows) {
  const list = el("dl", {});
  for (const [name, value] of rows) if (value !== null) list.append(el("div", {}, el("dt", {}, name), el("dd", {}, value)));
  return list;
}

function machineName(m) {
  const one = DATA.machines[m];
  return one.label && one.label !== one.id ? `${one.label} (${one.id})` : one.id;
}

// For each machine the reasons against it, by condition; those without any are not refused.
function reasonsOf(zone) {
  const kinds = DATA.reasons.length, cols = DATA.conditions.length;
  const out = DATA.machines.map(() => []);
  for (let row = REFUSALS.first[zone]; row < REFUSALS.first[zone + 1]; row++) {
    const what = REFUSALS.what[row];
    const shares = Array.from(REFUSALS.shares.subarray(row * cols, (row + 1) * cols));
    out[Math.floor(what / kinds)].push({ reason: what % kinds, shares });
  }
  return out;
}

function refusalTable(zone) {
  const found = reasonsOf(zone), cols = DATA.conditions;
  const table = el("table", { class: "why" },
    el("caption", {}, "Why each machine is refused: the part of this zone that each reason refuses to it"),
    el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Machine and reason"),
      ...cols.map((c) => el("th", { scope: "col" }, c)))));
  const free = [];
  found.forEach((reasons, m) => {
    if (!reasons.length) { free.push(machineName(m)); return; }
    const open = cols.map((_, c) => reasons.every((r) => !(r.shares[c] > 0)));
    const body = el("tbody", {}, el("tr", { class: "machine" }, el("th", { scope: "row" }, machineName(m)),
      ...open.map((one) => el("td", {}, one ? "not refused" : "refused"))));
    for (const { reason, shares } of reasons) {
      body.append(el("tr", {}, el("th", { scope: "row" }, DATA.reasons[reason]),
        ...shares.map((s) => el("td", {}, s > 0 ? partWords(s) : "–"))));
    }
    table.append(body);
  });
  return [
    free.length ? el("p", {}, `Refused by no rule that was evaluated: ${free.join(", ")}.`)
      : el("p", {}, "Every machine and crew is refused here, each under some condition at least."),
    found.some((r) => r.length) ? el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Reasons" }, table)
      : null,
  ];
}

function zoneReading(z, act) {
  const k = ZONES.cls[z], p = ZONES.parcel[z], left = DATA.classes[k].code === "excluded";
  const path = PATHS.of.has(z) ? PATHS.of.get(z) : -1;
  return [
    el("h2", { id: "reading-head", tabindex: "-1" }, `Zone ${ZONES.name[z]} of ${PARCELS.id[p]}`),
    el("p", {}, chip(k)),
    pairs(
      ["Area", areaWords(ZONES.area[z])],
      ["Way of working", left ? null : DATA.ways[ZONES.way[z]]],
      ["Steepest ground", Number.isNaN(ZONES.slope[z]) ? null : `${figure(ZONES.slope[z], 0)} degrees`],
      ["Hazard", left ? null : hazardWords(ZONES.hazard[z])],
      ["Measure on site", ZONES.marginal[z] > 0 ? `${partWords(ZONES.marginal[z])} is too near a limit to call` : null]),
    ...(left ? [] : refusalTable(z)),
    path >= 0 ? el("h3", {}, "The path down") : null,
    path >= 0 ? profileOf(path) : null,
    el("h3", {}, "In words"),
    el("p", {}, ZONES.note(z)),
    el("p", { class: "bar-buttons" },
      el("button", { type: "button", onclick: () => act(p, -1) }, `Parcel ${PARCELS.id[p]}`),
      el("button", { type: "button", onclick: () => act(-1, -1) }, "Close")),
  ];
}

function parcelReading(p, act) {
  const areas = el("table", { class: "areas" }, el("caption", { class: "unseen" }, "Areas by class"));
  DATA.classes.forEach((c, k) => {
    const area = PARCELS.byClass[k][p];
    if (area > 0) areas.append(el("tr", {}, el("th", { scope: "row" }, chip(k)), el("td", {}, areaWords(area))));
  });
  const hours = PARCELS.hours ? PARCELS.hours.map((h) => h[p]) : null;
  const [lat, lon] = [PARCELS.degrees[2 * p] / 1e5, PARCELS.degrees[2 * p + 1] / 1e5];
  return [
    el("h2", { id: "reading-head", tabindex: "-1" }, `Parcel ${PARCELS.id[p]}`),
    pairs(
      ["Area", areaWords(PARCELS.area[p])],
      ["Not known", PARCELS.unknown[p] > 0 ? areaWords(PARCELS.unknown[p]) : null],
      ["Hours in the season", hours && hours[0] >= 0 ? hoursSpan(hours) : null],
      ["Lies at", `${lat.toFixed(5)}, ${lon.toFixed(5)} (latitude, longitude)`]),
    areas,
    PARCELS.page ? el("p", {}, el("a", { href: pageOf(p) }, "Zones, reasons and profiles: the page of its district"))
      : zoneList(p, act),
    el("p", { class: "bar-buttons" }, el("button", { type: "button", onclick: () => act(-1, -1) }, "Close")),
  ];
}

function hoursSpan([hours, low, high]) {
  return `${hoursWords(hours)} (${hoursWords(low)} to ${hoursWords(high)})`;
}

function pageOf(p) {
  return `${encodeURIComponent(DATA.pages[PARCELS.page[p]])}#${encodeURIComponent(PARCELS.id[p])}`;
}

function zoneList(p, act) {
  const list = el("ul", { class: "zones", "aria-label": "Zones" });
  for (let z = ZONES_FROM[p]; z < ZONES_FROM[p + 1]; z++) {
    list.append(el("li", {}, el("button", { type: "button", "data-zone": z, onclick: () => act(p, z) },
      swatch(ZONES.cls[z]), el("b", {}, ZONES.name[z]), ` ${DATA.classes[ZONES.cls[z]].label}, ${areaWords(ZONES.area[z])}`)));
  }
  return list;
}

function showReading(node, act) {
  const { parcel, zone } = state;
  node.hidden = parcel < 0 && zone < 0;
  if (zone >= 0) refill(node, ...zoneReading(zone, act));
  else if (parcel >= 0) refill(node, ...parcelReading(parcel, act));
  else refill(node);
}
