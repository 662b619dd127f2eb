// Lets a tear be placed on its map by click, touch or keyboard; the map and its four controls follow each other.
//
// <div data-tear-map="PREFIX"> holds the drawing; the controls have the ids id_PREFIX-NAME for each of NAMES. Without script
// the drawing is a picture and the controls do the work. Listeners sit on the document: cards added later work as well.

const NAMES = ["meniscus", "radial_location", "rim_zone", "map_step"];
const STEPS = 12;
const STEP_MOVES = { ArrowUp: -1, ArrowDown: 1, Home: -STEPS, End: STEPS };
// From one capsule over both free edges to the other, as the left and right arrows walk.
const ACROSS = ["medial 1", "medial 2", "medial 3", "lateral 3", "lateral 2", "lateral 1"];
const REACH_PX = 32; // a touch beside the meniscus means the nearest place, if its middle is within this distance

const fieldsNow = () => [...document.querySelectorAll("[data-tear-map].is-ready")];
const fieldOf = (node) => node.closest?.("[data-tear-map].is-ready");
const cellsOf = (field) => [...field.querySelectorAll(".tear-map-cell")];
const controlOf = (field, name) => document.getElementById(`id_${field.dataset.tearMap}-${name}`);
const wordsOf = (cell) => cell.querySelector("title").textContent;

/** What a cell stands for, as values of the controls. */
function placeOf(cell) {
  const { step, location } = cell.parentElement.dataset;
  return { meniscus: cell.dataset.meniscus, radial_location: location, rim_zone: cell.dataset.zone, map_step: step };
}

function recordedIn(field) {
  return Object.fromEntries(NAMES.map((name) => [name, controlOf(field, name).value]));
}

function cellAt(field, meniscus, step, zone) {
  return field.querySelector(`[data-step="${step}"] > [data-meniscus="${meniscus}"][data-zone="${zone}"]`);
}

// --- showing what the controls say ------------------------------------------------------------

/** Every cell that fits what is recorded; none while meniscus or position along it is open. */
function fittingCells(field, place) {
  if (!place.meniscus || !(place.map_step || place.radial_location)) return [];
  const told = NAMES.filter((name) => place[name] && !(name === "radial_location" && place.map_step));
  return cellsOf(field).filter((cell) => told.every((name) => placeOf(cell)[name] === place[name]));
}

/** The cell that carries the number: the middle one of those that fit. Two roots have no middle. */
function middleOf(cells, place) {
  if (!place.map_step && place.radial_location === "root") return undefined;
  const inLine = cells.filter((cell) => cell.dataset.zone === (place.rim_zone || "2"));
  return inLine[Math.floor((inLine.length - 1) / 2)];
}

function show(field) {
  const place = recordedIn(field);
  const fitting = fittingCells(field, place);
  const exact = fitting.length === 1 ? fitting[0] : undefined;
  for (const cell of cellsOf(field)) {
    cell.classList.toggle("is-chosen", fitting.includes(cell));
    cell.setAttribute("aria-selected", String(cell === exact));
  }
  const middle = middleOf(fitting, place);
  showNumber(field, middle);
  if (middle && !field.contains(document.activeElement)) makeTabStop(field, middle);
  say(field, exact, fitting.length);
  preview(field, exact);
}

function showNumber(field, cell) {
  const choice = field.querySelector(".tear-map-choice");
  choice.toggleAttribute("hidden", !cell);
  if (!cell) return;
  const { centre, pin } = cell.dataset;
  choice.querySelector(".tear-map-leader").setAttribute("d", `M${centre}L${pin}`);
  choice.querySelector(".tear-map-pin").setAttribute("transform", `translate(${pin})`);
}

function say(field, exact, count) {
  const output = field.querySelector("output");
  let words = "Not placed on the map.";
  if (exact) words = `Placed: ${wordsOf(exact)}.`;
  else if (count) words = "Not placed exactly: shaded as far as the fields say.";
  if (output.textContent !== words) output.textContent = words;
}

/** For the eye alone: the cell under focus or pointer, unless the tear is there already. */
function preview(field, cell) {
  const isPlaced = !cell || cell.getAttribute("aria-selected") === "true";
  field.querySelector(".tear-map-here").textContent = isPlaced ? "" : `${wordsOf(cell)}?`;
}

// --- placing ----------------------------------------------------------------------------------

function place(field, cell) {
  const values = placeOf(cell);
  // All four first: whoever hears of one reads the others too.
  for (const name of NAMES) controlOf(field, name).value = values[name];
  for (const name of NAMES) tellOfChange(controlOf(field, name));
  show(field);
}

function tellOfChange(control) {
  for (const type of ["input", "change"]) control.dispatchEvent(new Event(type, { bubbles: true }));
}

/** A third chosen by hand that the exact place does not lie in takes the exact place away. */
function dropContradictedStep(field, control) {
  const step = controlOf(field, "map_step");
  if (control !== controlOf(field, "radial_location") || !step.value) return;
  if (field.querySelector(`[data-step="${step.value}"]`)?.dataset.location === control.value) return;
  step.value = "";
  tellOfChange(step);
}

function nearestCell(field, x, y) {
  const distances = cellsOf(field).map((cell) => {
    const box = cell.getBoundingClientRect();
    return [Math.hypot(x - box.x - box.width / 2, y - box.y - box.height / 2), cell];
  });
  const [distance, cell] = distances.reduce((best, next) => (next[0] < best[0] ? next : best));
  return distance <= REACH_PX ? cell : undefined;
}

// --- walking ----------------------------------------------------------------------------------

function makeTabStop(field, cell) {
  for (const other of cellsOf(field)) other.setAttribute("tabindex", other === cell ? "0" : "-1");
}

function neighbourOf(field, cell, key) {
  const { meniscus, zone } = cell.dataset;
  const step = Number(cell.parentElement.dataset.step);
  if (key in STEP_MOVES) return cellAt(field, meniscus, Math.min(Math.max(step + STEP_MOVES[key], 1), STEPS), zone);
  if (key.toLowerCase() === "m") return cellAt(field, meniscus === "medial" ? "lateral" : "medial", step, zone);
  if (key !== "ArrowLeft" && key !== "ArrowRight") return undefined;
  const next = ACROSS[ACROSS.indexOf(`${meniscus} ${zone}`) + (key === "ArrowRight" ? 1 : -1) * towardsLateral(field)];
  return next ? cellAt(field, next.split(" ")[0], step, next.split(" ")[1]) : cell;
}

/** 1 where lateral is on the right of the screen, as in a right knee; -1 in a left one. */
function towardsLateral(field) {
  const left = (meniscus) => cellAt(field, meniscus, 1, 1).getBoundingClientRect().left;
  return left("medial") < left("lateral") ? 1 : -1;
}

// --- listening --------------------------------------------------------------------------------

document.addEventListener("click", (event) => {
  const drawing = event.target.closest?.(".tear-map");
  const field = drawing && fieldOf(drawing);
  if (!field) return;
  const cell = event.target.closest(".tear-map-cell") ?? nearestCell(field, event.clientX, event.clientY);
  if (!cell) return;
  cell.focus({ preventScroll: true });
  place(field, cell);
});

document.addEventListener("keydown", (event) => {
  const cell = event.target.closest?.(".tear-map-cell");
  const field = cell && fieldOf(cell);
  if (!field || event.ctrlKey || event.altKey || event.metaKey) return;
  const isPlacing = event.key === "Enter" || event.key === " ";
  const next = isPlacing ? cell : neighbourOf(field, cell, event.key);
  if (!next) return;
  event.preventDefault();
  if (isPlacing) place(field, cell);
  else next.focus();
});

document.addEventListener("focusin", (event) => {
  const cell = event.target.closest?.(".tear-map-cell");
  const field = cell && fieldOf(cell);
  if (!field) return;
  makeTabStop(field, cell);
  field.querySelector(".tear-map-cursor").setAttribute("d", cell.getAttribute("d"));
  preview(field, cell);
});

document.addEventListener("pointerover", (event) => {
  const cell = event.target.closest?.(".tear-map-cell");
  const field = cell && fieldOf(cell);
  if (field) preview(field, cell);
});

for (const type of ["input", "change"]) {
  document.addEventListener(type, (event) => {
    const field = fieldsNow().find((one) => NAMES.some((name) => controlOf(one, name) === event.target));
    if (!field) return;
    dropContradictedStep(field, event.target);
    show(field);
  });
}

// The controls are empty again, or filled again, only after these events.
document.addEventListener("reset", () => setTimeout(() => fieldsNow().forEach(show)));
window.addEventListener("pageshow", () => fieldsNow().forEach(show));

// --- from picture to grid ---------------------------------------------------------------------

function makeReady(field) {
  if (!NAMES.every((name) => controlOf(field, name))) return;
  field.classList.add("is-ready");
  const drawing = field.querySelector(".tear-map");
  const words = field.querySelector(".tear-map-words");
  drawing.setAttribute("role", "grid");
  drawing.setAttribute("aria-describedby", words.querySelector("[id]").id);
  for (const row of field.querySelectorAll(".tear-map-row")) row.setAttribute("role", "row");
  for (const cell of cellsOf(field)) cell.setAttribute("role", "gridcell");
  words.hidden = false;
  dropPrintedNumber(field);
  makeTabStop(field, cellsOf(field)[0]);
  show(field);
}

/** The number that the server printed for this very tear gives way to the one that moves. */
function dropPrintedNumber(field) {
  const number = field.querySelector(".tear-map-choice text").textContent;
  if (number) field.querySelector(`.tear-map-mark[data-number="${number}"]`)?.remove();
}

const makeAllReady = () => document.querySelectorAll("[data-tear-map]:not(.is-ready)").forEach(makeReady);
document.addEventListener("htmx:load", makeAllReady);
makeAllReady();
