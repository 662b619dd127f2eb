// Keeps a draft of every form that holds a draft bar (registry/draft_bar.html), a moment after its last change.
// What the server answers is shown in the bar; whatever goes wrong, what was typed stays where it is.

const PAUSE_MS = 1500;
const UNREACHED = "The draft could not be kept: the site does not answer. All you typed still stands here.";
const REFUSED = "The draft could not be kept. All you typed still stands here.";
const waiting = new WeakMap();

const barOf = (form) => form?.querySelector("[data-draft]");

const cookie = (name) =>
  document.cookie
    .split("; ")
    .find((pair) => pair.startsWith(`${name}=`))
    ?.slice(name.length + 1);

// Signing in anew, perhaps in another window, changes the token that a form has to carry.
function renewToken(form, bar) {
  const token = cookie(bar.dataset.tokenCookie);
  const field = form.elements.csrfmiddlewaretoken;
  if (token && field) field.value = token;
}

function say(bar, html) {
  bar.querySelector("[data-draft-said]").innerHTML = html;
}

async function keep(form) {
  const bar = barOf(form);
  const state = { sending: new AbortController() };
  waiting.set(form, state);
  renewToken(form, bar);
  try {
    const answer = await fetch(bar.dataset.draft, {
      method: "POST",
      body: new FormData(form),
      signal: state.sending.signal,
      redirect: "manual",
    });
    const understood = answer.ok || answer.status === 401 || answer.status === 409;
    say(bar, understood ? await answer.text() : REFUSED);
  } catch (error) {
    if (error.name !== "AbortError") say(bar, UNREACHED);
  }
}

function stop(form) {
  const state = waiting.get(form);
  clearTimeout(state?.timer);
  state?.sending?.abort();
  waiting.delete(form);
}

function later({ target }) {
  const form = target.form;
  if (!barOf(form)) return;
  stop(form);
  waiting.set(form, { timer: setTimeout(() => keep(form), PAUSE_MS) });
}

document.addEventListener("input", later);
document.addEventListener("change", later);
document.addEventListener("submit", ({ target }) => {
  const bar = barOf(target);
  if (!bar) return;
  // What is sent needs no draft, and one kept after it would outlive it.
  stop(target);
  renewToken(target, bar);
});
