// The list of parcels: searched, filtered, put in order. Its totals are the map's key.
const ROWS = 100; // at a time
const COLLATOR = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

function orders() {
  const by = (values) => (a, b) => values[b] - values[a] || a - b;
  const out = [
    { name: "by name", head: "Parcel", compare: (a, b) => COLLATOR.compare(PARCELS.id[a], PARCELS.id[b]) || a - b },
    { name: "largest first", head: "Area", compare: by(PARCELS.area), cell: (n) => areaWords(PARCELS.area[n]) },
    { name: "most hand crew", head: "Hand crew", compare: by(PARCELS.hand), cell: (n) => partWords(PARCELS.hand[n]) },
    { name: "most without work", head: "No work", compare: by(PARCELS.none), cell: (n) => partWords(PARCELS.none[n]) },
    { name: "most not known", head: "Not known", compare: by(PARCELS.notKnown), cell: (n) => partWords(PARCELS.notKnown[n]) },
  ];
  if (PARCELS.hours) {
    const hours = PARCELS.hours[0].map((h) => (h >= 0 ? h : -1));
    out.push({ name: "most hours", head: "Hours", compare: by(hours), cell: (n) => (hours[n] >= 0 ? hoursWords(hours[n]) : "–") });
  }
  return out;
}

function makeLedger(changed, act) {
  const get = (id) => document.getElementById(id);
  const all = orders(), ids = PARCELS.id.map((one) => one.toLowerCase());
  const ask = { classes: new Set(), hazards: new Set(), order: 0, turned: false, rows: ROWS };
  let found = [];

  function toggle(set, label, value, holder) {
    const box = el("input", { type: "checkbox" });
    box.addEventListener("change", () => { box.checked ? set.add(value) : set.delete(value); refresh(); });
    const node = el("label", {}, box, ...label);
    holder.append(node);
    return node;
  }

  const sums_ = DATA.classes.map((c, k) => {
    const area = el("span", { class: "sum" });
    toggle(ask.classes, [swatch(k), el("span", {}, c.label), area], k, get("keys")).classList.add("key");
    return area;
  });
  DATA.hazards.forEach((h, k) => toggle(ask.hazards, [SIEVE_WORDS[h]], k, get("dangers")));
  all.forEach((o, n) => get("order").append(el("option", { value: n }, o.name)));
  const heads = all.map((o, n) => {
    const button = el("button", { type: "button", onclick: () => {
      ask.turned = ask.order === n ? !ask.turned : false;
      ask.order = n;
      get("order").value = String(n);
      refresh();
    } }, o.head);
    return el("th", { scope: "col" }, button);
  });
  get("parcels").tHead.append(el("tr", {}, ...heads));
  get("order").addEventListener("change", (e) => { ask.order = Number(e.target.value); ask.turned = false; refresh(); });
  for (const id of ["seek", "hand"]) get(id).addEventListener("input", () => refresh());
  get("clear").addEventListener("click", () => {
    document.querySelectorAll("#keys input, #dangers input").forEach((box) => { box.checked = false; });
    get("seek").value = get("hand").value = "";
    ask.classes.clear();
    ask.hazards.clear();
    refresh();
  });
  get("more").addEventListener("click", () => { ask.rows += ROWS; fill(); });

  // Cells that are not known count though another hazard names the zone.
  function near(n, k) {
    return bit(PARCELS.hazards[n], k) || (DATA.hazards[k] === "unknown" && PARCELS.unknown[n] > 0);
  }

  function held(n, sought, hand) {
    if (sought && !ids[n].includes(sought)) return false;
    if (PARCELS.hand[n] < hand) return false;
    const any = (set, has) => !set.size || Array.from(set).some(has);
    return any(ask.classes, (k) => PARCELS.byClass[k][n] > 0) &&
      any(ask.hazards, (k) => near(n, k));
  }

  function refresh() {
    const sought = get("seek").value.trim().toLowerCase(), hand = (Number(get("hand").value) || 0) / 100;
    found = [];
    for (let n = 0; n < PARCELS.count; n++) {
      state.shown[n] = held(n, sought, hand) ? 1 : 0;
      if (state.shown[n]) found.push(n);
    }
    found.sort(all[ask.order].compare);
    if (ask.turned) found.reverse();
    heads.forEach((th, n) => {
      const up = (n === 0) !== ask.turned;
      th.setAttribute("aria-sort", n !== ask.order ? "none" : up ? "ascending" : "descending");
    });
    ask.rows = ROWS;
    fill();
    total();
    changed();
  }

  function total() {
    const areas = DATA.classes.map((_, k) => found.reduce((sum, n) => sum + (PARCELS.byClass[k][n] || 0), 0));
    const whole = areas.reduce((a, b) => a + b, 0);
    areas.forEach((a, k) => refill(sums_[k], `${areaWords(a)}, ${partWords(whole ? a / whole : 0)}`));
    const ribbon = get("ribbon");
    refill(ribbon, ...stripes(areas));
    ribbon.setAttribute("aria-label", DATA.classes.map((c, k) => `${c.label}: ${areaWords(areas[k])}`).join("; "));
    refill(get("found"), `${figure(found.length, 0)} of ${count(PARCELS.count, "parcel", "parcels")}, ${areaWords(whole)}`);
  }

  function fill() {
    const body = get("parcels").tBodies[0];
    refill(body, ...found.slice(0, ask.rows).map(row));
    get("more").hidden = found.length <= ask.rows;
    refill(get("more"), `${figure(Math.max(found.length - ask.rows, 0), 0)} more: show ${ROWS}`);
  }

  function row(n) {
    const names = DATA.hazards.filter((h, k) => h !== "none" && near(n, k));
    const button = el("button", { type: "button", "data-parcel": n, "aria-current": state.parcel === n ? "true" : null,
      onclick: () => act(n, -1) }, PARCELS.id[n]);
    return el("tr", {},
      el("th", { scope: "row" }, button, el("span", { class: "bar", "aria-hidden": "true" }, ...stripes(PARCELS.byClass.map((a) => a[n] || 0))),
        el("span", { class: "quiet" }, names.map((h) => SIEVE_WORDS[h]).join(", "))),
      ...all.slice(1).map((o) => el("td", {}, o.cell(n))));
  }

  refresh();
  return {
    mark() {
      document.querySelectorAll("#parcels [aria-current]").forEach((one) => one.removeAttribute("aria-current"));
      const own = document.querySelector(`#parcels [data-parcel="${state.parcel}"]`);
      if (own) own.setAttribute("aria-current", "true");
    },
    everything() { ask.rows = Infinity; fill(); },
    fewer() { ask.rows = ROWS; fill(); },
  };
}

function bit(bits, k) {
  return Math.floor(bits / 2 ** k) % 2 === 1;
}

function stripes(areas) {
  return areas.flatMap((a, k) => {
    if (!(a > 0)) return [];
    const part = el("span", { class: `k${k}` });
    part.style.flexGrow = String(a);
    return [part];
  });
}
