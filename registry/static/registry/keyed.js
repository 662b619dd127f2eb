// Quick keying of a paper form: a complete answer moves on by itself, Enter moves on, the last one to the button.

const form = document.querySelector("[data-digits]")?.closest("form");
const said = document.querySelector("[data-digits-said]");

function allowed(field) {
  return field.dataset.allowed.split(" ");
}

// Whether what is typed is an answer that no longer one begins with.
function isComplete(field) {
  const others = allowed(field).filter((value) => value !== field.value && value.startsWith(field.value));
  return allowed(field).includes(field.value) && others.length === 0;
}

function isPossible(field) {
  return field.value === "" || allowed(field).some((value) => value.startsWith(field.value));
}

function moveOn(field) {
  const fields = [...form.querySelectorAll("[data-allowed]")];
  const next = fields[fields.indexOf(field) + 1] ?? form.querySelector("button[type=submit]");
  next.focus();
  next.select?.();
}

form?.addEventListener("input", ({ target: field }) => {
  if (!field.dataset.allowed) return;
  const possible = isPossible(field);
  field.setAttribute("aria-invalid", String(!possible));
  const label = form.querySelector(`label[for="${field.id}"]`).textContent.trim();
  said.textContent = possible ? "" : `${label}: ${field.value} is none of its values.`;
  if (isComplete(field)) moveOn(field);
});

form?.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || !event.target.dataset.allowed) return;
  event.preventDefault();
  moveOn(event.target);
});
