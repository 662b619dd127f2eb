// The page that records an operation: from open field to open field by Enter, codes filled from measures, and proposals of
// the server put where nothing was chosen yet. Listeners sit on the document: cards swapped in later work as well.

const UNDECIDED = ["", "unknown", "not_assessed"];
// By name, since a card that comes back from the server has new controls.
const touched = new Set();
const proposed = new Map(); // name -> what stood there before
let isPutting = false; // no hand is at the control: the page fills it itself

const pageForm = () => document.getElementById("operation-form");
const isOnPage = (node) => node instanceof Element && node.closest("#operation-form") !== null;

// --- from field to field ----------------------------------------------------------------------

const isControl = (node) => node.matches("input:not([type=hidden]), select, textarea");

/** Whether a control still waits for an answer. */
function isOpen(control) {
  if (control.dataset.enter || control.disabled || !control.checkVisibility()) return false;
  if (control.type === "radio") return firstOf(`[name="${CSS.escape(control.name)}"]`, control) && !isChosen(control.name);
  if (control.type === "checkbox") return isFirstOfOpenGroup(control);
  return UNDECIDED.includes(control.value);
}

const firstOf = (selector, control) => pageForm().querySelector(selector) === control;
const isChosen = (name) => pageForm().querySelector(`[name="${CSS.escape(name)}"]:checked`) !== null;

/** A box is no question of its own; of a group of which one is due, the first stands for all. */
function isFirstOfOpenGroup(box) {
  const group = box.closest(".one-of");
  return group !== null && group.querySelector("input") === box && !group.querySelector(":checked");
}

/** The button that answers all at once stands for what it answers. */
function isStop(node) {
  if (isControl(node)) return isOpen(node);
  const answers = node.closest("#prerequisites fieldset, #prerequisites")?.querySelectorAll("fieldset:first-of-type select");
  return [...(answers ?? [])].some(isOpen);
}

const stops = () => [...pageForm().querySelectorAll("input, select, textarea, button[value=all-met]")].filter((node) => node.checkVisibility());

function goOn(from) {
  const after = stops().filter((node) => from.compareDocumentPosition(node) & Node.DOCUMENT_POSITION_FOLLOWING);
  const groupmate = (node) => node.type === "radio" && node.name === from.name;
  focusOn(after.find((node) => isStop(node) && !groupmate(node)) ?? pageForm().querySelector("[data-records]"));
}

function goBack(from) {
  const before = stops().filter((node) => from.compareDocumentPosition(node) & Node.DOCUMENT_POSITION_PRECEDING && isControl(node));
  focusOn(before.findLast((node) => !node.matches("[type=hidden]")) ?? from);
}

function focusOn(node) {
  node?.focus();
  if (node?.matches("input:not([type=checkbox], [type=radio], [type=date])")) node.select();
}

document.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || event.altKey || event.metaKey || event.isComposing || !isOnPage(event.target)) return;
  const { target } = event;
  if (event.ctrlKey) press(event, pageForm().querySelector("[data-records]"));
  else if (event.shiftKey && (isControl(target) || target.matches("button"))) press(event, null, () => goBack(target));
  else if (target.dataset.enter) press(event, pageForm().querySelector(`button[value="${target.dataset.enter}"]`));
  // It answers six questions: too much for a key that only goes on. Space presses it.
  else if (isControl(target) || target.matches("button[value=all-met]")) press(event, null, () => goOn(target));
});

/** In a field that asks yes or no and is open, the letter is the whole answer. */
document.addEventListener("keydown", (event) => {
  const { key, target } = event;
  if (event.ctrlKey || event.altKey || event.metaKey || !isOnPage(target) || !target.matches("select") || !isOpen(target)) return;
  const answers = [...target.options].filter(({ value }) => !UNDECIDED.includes(value));
  if (answers.map(({ text }) => text).sort().join() !== "No,Yes") return;
  const answer = answers.find(({ text }) => text[0].toLowerCase() === key.toLowerCase());
  if (answer) press(event, null, () => answerWith(target, answer.value));
});

function answerWith(control, value) {
  control.value = value;
  for (const type of ["input", "change"]) control.dispatchEvent(new Event(type, { bubbles: true }));
  goOn(control);
}

function press(event, button, otherwise) {
  event.preventDefault();
  if (button) button.click();
  else otherwise();
}

// --- codes that a measure gives ----------------------------------------------------------------

function codeOf(control) {
  const measure = Number(control.value);
  if (control.value === "" || Number.isNaN(measure) || measure < 0) return "";
  const steps = control.dataset.steps.split(" ").map((step) => step.split(":"));
  return steps.findLast(([from]) => measure >= Number(from))?.[1] ?? "";
}

function fillCode(control) {
  const prefix = control.name.slice(0, control.name.lastIndexOf("-"));
  const coded = pageForm().elements[`${prefix}-${control.dataset.fills}`];
  if (!coded || (touched.has(coded.name) && coded.value !== "")) return;
  put(coded, codeOf(control));
}

// --- proposals ---------------------------------------------------------------------------------

/** What a hand chose, took over or finds on record stays; so does a default, once the page was sent. */
function mayFollow(control) {
  const { proposes } = pageForm().dataset;
  if (!proposes || touched.has(control.name) || control.closest(".is-taken")) return false;
  return proposed.has(control.name) || UNDECIDED.includes(control.value) || proposes === "all";
}

function propose() {
  const wanted = new Map([...document.querySelectorAll("[data-propose]")].map((each) => [each.dataset.propose, each.value]));
  let isChanged = false;
  for (const [name, before] of proposed) {
    const control = pageForm().elements[name];
    if (wanted.has(name)) continue;
    proposed.delete(name);
    if (!control || touched.has(name)) continue;
    control.value = before;
    isChanged = true;
  }
  for (const [name, value] of wanted) {
    const control = pageForm().elements[name];
    if (!control || control.value === value || !mayFollow(control)) continue;
    if (!proposed.has(name)) proposed.set(name, control.value);
    control.value = value;
    isChanged = true;
  }
  for (const mark of document.querySelectorAll(".is-proposed")) mark.classList.remove("is-proposed");
  for (const name of proposed.keys()) pageForm().elements[name].closest(".placed").classList.add("is-proposed");
  // The facts follow, but no draft is kept of what nobody typed.
  if (isChanged) document.getElementById("facts").dispatchEvent(new Event("proposed"));
}

function put(control, value) {
  if (control.value === value) return;
  control.value = value;
  isPutting = true;
  for (const type of ["input", "change"]) control.dispatchEvent(new Event(type, { bubbles: true }));
  isPutting = false;
}

document.addEventListener("input", (event) => {
  if (!isOnPage(event.target)) return;
  if (!isPutting) {
    touched.add(event.target.name);
    proposed.delete(event.target.name);
    event.target.closest(".placed")?.classList.remove("is-taken", "is-proposed");
  }
  if (event.target.dataset.fills) fillCode(event.target);
});

// --- what comes back ---------------------------------------------------------------------------

document.addEventListener("htmx:afterSettle", propose);

/** A session that has ended answers with the sign-in page: what is typed was kept, and must not be swapped away. */
document.addEventListener("htmx:beforeSwap", (event) => {
  const { xhr, target, pathInfo } = event.detail;
  if (!isOnPage(target) || new URL(xhr.responseURL).pathname === new URL(pathInfo.finalRequestPath, location.href).pathname) return;
  event.preventDefault();
  if (target.id !== "facts") location.assign(xhr.responseURL);
});

/** What is pressed while a card is on its way is sent when the card has come: it shall not be recorded as it was before. */
document.addEventListener("submit", (event) => {
  if (!isOnPage(event.target) || !isWaiting()) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  document.addEventListener("htmx:afterSettle", () => event.submitter.click(), { once: true });
});

const isWaiting = () => pageForm().querySelector("button.htmx-request") !== null;

if (pageForm() && !document.querySelector("[autofocus]")) {
  const open = stops().find(isStop);
  if (open) focusOn(open);
}
