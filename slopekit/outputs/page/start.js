// Puts the page together.
function begin() {
  const get = (id) => document.getElementById(id);
  care(get("care"));
  lead(get("lead"));
  beside(get("beside"));
  signs(get("signs"));
  get("reading").hidden = true;
  let map = null, ledger = null, from = null;

  function act(parcel, zone) {
    choose({ parcel, zone }, true);
  }

  // by keyboard or from the list the reading is gone to; a click on the map leaves one where one is.
  function choose(what, go) {
    const before = document.activeElement;
    if (state.parcel < 0 && what.parcel >= 0) from = before;
    state.parcel = what.parcel;
    state.zone = what.zone;
    showReading(get("reading"), act);
    ledger.mark();
    if (what.zone >= 0) map.show(ZONES.shapes, what.zone, false);
    else if (what.parcel >= 0) map.show(PARCELS.shapes, what.parcel, go);
    map.repaint();
    get("reading").scrollTop = 0;
    if (what.parcel >= 0 && go) get("reading-head").focus();
    else if (what.parcel >= 0) get("reading").scrollIntoView({ block: "nearest" });
    else if (from && from.isConnected) from.focus();
  }

  if (!PARCELS) {
    refill(get("found"), "This result has no parcels.");
    map = makeMap(() => {});
    return;
  }
  map = makeMap((what, go) => choose(what, go));
  ledger = makeLedger(() => map.repaint(), act);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && state.parcel >= 0) choose({ parcel: -1, zone: -1 }, false);
  });
  window.addEventListener("beforeprint", () => { ledger.everything(); map.print(get("print-map")); });
  window.addEventListener("afterprint", () => ledger.fewer());
  const called = () => {
    let id = "";
    try { id = decodeURIComponent(location.hash.slice(1)); } catch { return; }
    const n = PARCELS.id.indexOf(id);
    if (n >= 0) act(n, -1);
  };
  window.addEventListener("hashchange", called);
  called();
}

function care(node) {
  const { warnings, missing, cautions } = DATA.sentences;
  const listed = (name, sentences, own) => (sentences.length
    ? el("div", { class: own }, el("h3", {}, name), el("ul", {}, ...sentences.map((s) => el("li", {}, s)))) : null);
  const failed = DATA.failures.length
    ? [`${count(DATA.failures.length, "parcel has", "parcels have")} no answer: they are listed under the parcels.`] : [];
  refill(node,
    el("h2", { id: "care-head" }, DATA.caution),
    el("div", { class: "columns" },
      listed("Not assessed", [...missing, ...failed], "missing"),
      listed("Cautions", [...warnings, ...cautions], "cautions")));
}

function lead(node) {
  const parts = ["Ground by the least restricted machine class that no rule refuses. Choose a zone for the reasons."];
  refill(node, ...parts);
  if (DATA.index) {
    node.append(` District ${DATA.district} of ${DATA.districts}. `, el("a", { href: encodeURIComponent(DATA.index) }, "All districts"));
  }
  if (DATA.pages) {
    node.append(" The zones stand on a page for each district: ");
    DATA.pages.forEach((name, n) => node.append(n ? ", " : "", el("a", { href: encodeURIComponent(name) }, `district ${n + 1}`)));
  }
}

function beside(node) {
  const rows = (list) => el("dl", {}, ...list.map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value))));
  if (DATA.failures.length) {
    node.append(el("details", { id: "failures", open: true }, el("summary", {}, "Parcels without an answer"), rows(DATA.failures)));
  }
  if (DATA.hours) {
    const label = (code) => (DATA.classes.find((c) => c.code === code) || { label: code || "The visits as a whole" }).label;
    const table = el("table", { id: "hours" }, el("caption", {}, "Hours in the season by class, expected and from low to high"));
    for (const [code, ...hours] of DATA.hours) {
      table.append(el("tr", {}, el("th", { scope: "row" }, label(code)), el("td", {}, hoursSpan(hours))));
    }
    node.append(table);
  }
  if (DATA.facts.length) node.append(el("details", { id: "facts" }, el("summary", {}, "The survey"), rows(DATA.facts)));
}

function signs(node) {
  if (!ZONES) { node.append(el("li", {}, el("span", { class: "sign parcel-sign" }), "Parcel")); return; }
  const water = DATA.waters.filter((_, k) => WATER.origin.includes(k));
  node.append(
    ...water.map((w) => {
      const box = el("span", { class: `sign water-sign${w.hatch ? " hatched" : ""}` });
      box.style.backgroundColor = w.fill || "transparent";
      return el("li", {}, box, w.label);
    }),
    el("li", {}, el("span", { class: "sign drop-sign" }), "Top edge of a drop, with its height"),
    el("li", {}, el("span", { class: "sign path-sign" }, "→"), "A machine's path to a hazard"),
    el("li", {}, el("span", { class: "sign parcel-sign" }), "Parcel. Up is grid north"));
}

begin();
