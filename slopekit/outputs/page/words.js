// Figures in words, and elements of text: what comes from the data never becomes markup.
function el(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name === "onclick") node.addEventListener("click", value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.filter((one) => one !== null && one !== undefined));
  return node;
}

function refill(node, ...children) {
  node.replaceChildren(...children.filter((one) => one !== null && one !== undefined));
}

function figure(value, decimals) {
  return value.toLocaleString("en", { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
}

function areaWords(m2) {
  if (Number.isNaN(m2)) return "not known";
  const large = m2 >= DATA.units.large_from_m2;
  const [name, factor] = large ? DATA.units.large_area : DATA.units.small_area;
  const value = m2 * factor;
  if (!large && m2 > 0 && value < 1) return `under 1 ${name}`;
  return `${figure(value, large ? 2 : 0)} ${name}`;
}

function lengthWords(metres) {
  const [name, factor] = DATA.units.length;
  const value = metres * factor;
  return value < 0.05 ? `under 0.1 ${name}` : `${figure(value, value < 9.95 ? 1 : 0)} ${name}`;
}

function speedWords(kmh) {
  const [name, factor] = DATA.units.speed;
  const value = kmh * factor;
  return value < 1 ? `under 1 ${name}` : `${figure(value, 0)} ${name}`;
}

// A part of a whole: never nothing where there is some, nor all of it before it is.
function partWords(share) {
  if (!(share > 0)) return "0 %";
  if (share < 0.01) return "under 1 %";
  if (share > 0.99 && share < 1) return "over 99 %";
  return `${figure(100 * share, 0)} %`;
}

function hoursWords(hours) {
  return `${figure(hours, hours < 100 ? 1 : 0)} h`;
}

function count(number, one, many) {
  return `${figure(number, 0)} ${number === 1 ? one : many}`;
}

const HAZARD_WORDS = {
  water: "water", drop: "a drop", hazard: "a road or other marked hazard", unknown: "ground that is not known",
  none: "none found",
};

const SIEVE_WORDS = { water: "water", drop: "a drop", hazard: "a road or other", unknown: "not known", none: "none found" };

function hazardWords(number) {
  return HAZARD_WORDS[DATA.hazards[number]];
}

function swatch(k) {
  return el("span", { class: `swatch k${k}`, "aria-hidden": "true" });
}
