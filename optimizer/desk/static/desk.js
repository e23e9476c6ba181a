// The one script of the desk. It asks for fragments, numbers what it asked, puts answers in place and keeps what is half
// typed. It knows no figures: nothing here is computed from what stands on a page. Everything works without it, too.
"use strict";

const speak = (words) => words && (document.getElementById("speaks").textContent = words);

// What is half typed, kept for this window until the desk says that it is noted.

const keptAs = (form) => `half-typed ${form.dataset.keep}`;

const fieldsOf = (form) =>
  [...form.elements].filter((e) => e.name && !["hidden", "submit", "file", "button"].includes(e.type));

function keep(form) {
  const typed = fieldsOf(form).map((e) => [e.name, e.type === "checkbox" ? (e.checked ? e.value : "") : e.value]);
  try {
    sessionStorage.setItem(keptAs(form), JSON.stringify(typed));
  } catch {
    // A window without storage keeps nothing; the page works all the same.
  }
}

function recall(form) {
  if (form.querySelector("[aria-invalid]")) return; // the desk itself shows what was typed
  let typed = [];
  try {
    typed = JSON.parse(sessionStorage.getItem(keptAs(form)) || "[]");
  } catch {
    return;
  }
  for (const [name, value] of typed) {
    const field = fieldsOf(form).find((e) => e.name === name);
    if (!field) continue;
    if (field.type === "checkbox") field.checked = value === field.value;
    else field.value = value;
    if (value && field.closest("details")) field.closest("details").open = true;
  }
}

function forget() {
  const noted = document.querySelector("[data-clears]")?.dataset.clears;
  if (noted) sessionStorage.removeItem(`half-typed ${noted}`);
  // Loaded again, or come back to, a page says nothing twice and sends no form again: it is asked for from here on.
  const here = new URL(location.href);
  here.searchParams.delete("said");
  history.replaceState(null, "", here);
}

// Fragments: asked for with a number, so that a late answer never replaces a newer one. What is pressed does not move.

let pressed = null;

document.addEventListener("pointerdown", (event) => {
  if (event.target.type === "range") return; // a ruler is answered while it is held
  pressed = new Promise((over) => {
    for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => setTimeout(over, 50), { once: true });
    setTimeout(over, 5000); // let go of outside the window
  });
});

const asked = new Map();

async function fetched(address, key) {
  const number = (asked.get(key) || 0) + 1;
  asked.set(key, number);
  const answer = await fetch(address, { headers: { "X-Fragment": "1", "X-Number": String(number) } });
  const text = await answer.text();
  await pressed;
  return asked.get(key) === number ? { number, text, ok: answer.ok } : null;
}

// What has the focus keeps it where its place is filled anew: it is known by its id, else by its words.

function filled(place, part) {
  const at = place.contains(document.activeElement) ? document.activeElement : null;
  place.replaceChildren(...part.childNodes);
  if (!at || at.isConnected) return;
  const again = [...place.querySelectorAll("a, button, input, summary")];
  again.find((e) => (at.id ? e.id === at.id : e.textContent === at.textContent))?.focus();
}

function replaced(place, text, number) {
  const came = document.createElement("div");
  came.innerHTML = text; // the desk escapes every text, and the page allows no script but this
  ready(came);
  for (const part of came.querySelectorAll("[data-goes]")) {
    part.remove();
    const to = document.getElementById(part.dataset.goes.slice(1));
    if (!to || (part.dataset.as && part.dataset.as === to.dataset.as)) continue; // the same as stands there
    filled(to, part);
    if (part.dataset.as) to.dataset.as = part.dataset.as;
  }
  filled(place, came);
  place.dataset.number = String(number);
}

const resting = new Map();

function atRest(key, wait, act) {
  clearTimeout(resting.get(key));
  resting.set(key, setTimeout(act, wait));
}

// A live form is asked again whenever something in it moves; one request at a time is on its way, the last one counts.

const onTheWay = new Set();
const moved = new Set();
let moves = 0;

async function live(form) {
  const key = form.dataset.live;
  moves += 1;
  if (onTheWay.has(form)) return void moved.add(form);
  onTheWay.add(form);
  const address = new URL(form.action, location.href);
  address.search = new URLSearchParams(new FormData(form)).toString();
  try {
    const answer = await fetched(address, key);
    const place = document.querySelector(key);
    if (answer && place) {
      replaced(place, answer.text, answer.number);
      const short = place.querySelector("[data-address]");
      // Browsers count how often this is done, and one of them refuses it after a hundred moves in half a minute.
      atRest("address", 150, () => history.replaceState(null, "", short ? short.dataset.address : address));
      const words = place.querySelector("[data-speak]");
      atRest(`speak ${key}`, 900, () => speak(words && words.textContent));
    }
  } catch {
    speak("The desk does not answer. What you typed stays here.");
  } finally {
    onTheWay.delete(form);
  }
  if (moved.delete(form)) live(form);
}

// A part of the page that follows by itself, such as a proof that takes longer; it is dropped once something has moved.

function followed(place) {
  const then = moves;
  setTimeout(() => then === moves && place.isConnected && follow(place), Number(place.dataset.after || 0));
}

async function follow(place) {
  const then = moves;
  try {
    const answer = await fetched(place.dataset.follow, `follow ${place.id}`);
    if (!answer || !place.isConnected || then !== moves) return;
    replaced(place, answer.text, answer.number);
    const said = place.isConnected ? place : document.querySelector("[data-speak]");
    speak(said && said.textContent.trim());
  } catch {
    // Left as it is: the part says itself that something follows.
  }
}

// What was read of a figure is told beside it, before it is kept.

async function echo(field) {
  const place = field.parentElement.querySelector("output");
  if (!place) return;
  const text = field.value.trim();
  const unit = field.dataset.echo === "1" ? "" : field.dataset.echo;
  try {
    const answer = await fetched(`/echo?${new URLSearchParams({ text, unit })}`, `echo ${field.id}`);
    if (answer) place.textContent = answer.ok ? answer.text : "";
  } catch {
    place.textContent = "";
  }
}

async function copy(button) {
  if (!button) return;
  const text = document.querySelector(button.dataset.copy).textContent;
  try {
    await navigator.clipboard.writeText(text);
    speak("Copied.");
    button.textContent = "Copied";
  } catch {
    // Without the right to copy the text is marked, so that a key or a long touch copies it.
    getSelection().selectAllChildren(document.querySelector(button.dataset.copy));
    speak("Marked: copy it with the keyboard or a long touch.");
  }
}

function ready(root) {
  for (const form of root.querySelectorAll("form[data-keep]")) recall(form);
  for (const place of root.querySelectorAll("[data-follow]")) followed(place);
  for (const part of root.querySelectorAll("[data-copy], [data-moves]")) part.hidden = false;
  for (const form of root.querySelectorAll("form[data-live] [data-without-script]")) form.hidden = true;
}

// A page in sight is told once that its file was changed elsewhere, or that it is not let in any more; out of sight it
// asks for nothing.
const changed = document.getElementById("changed");
let watching = null;

function watch(words) {
  if (watching) watching.close();
  if (changed && words) changed.firstChild.textContent = words;
  if (changed && words) changed.hidden = false;
  speak(words);
  watching = changed && changed.hidden && !document.hidden ? new EventSource(changed.dataset.watch) : null;
  if (!watching) return;
  watching.onmessage = (event) => watch(event.data);
  watching.onerror = () => watching.readyState === EventSource.CLOSED && watch(changed.dataset.closed);
}

document.addEventListener("visibilitychange", () => watch());
setTimeout(watch, 2000);

document.addEventListener("input", (event) => {
  const field = event.target, form = field.form;
  if (!form) return;
  // A ruler and the field beside it say the same.
  const beside = field.dataset.moves
    ? document.getElementById(field.dataset.moves)
    : [...form.elements].find((e) => e.dataset.moves && e.dataset.moves === field.id);
  if (beside) beside.value = field.value;
  if (form.dataset.keep) keep(form);
  if (form.dataset.live) live(form);
  if (field.dataset.echo) atRest(`echo ${field.id}`, 150, () => echo(field));
});

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.live) live(form);
  if (form.dataset.live || form.dataset.sent) return event.preventDefault(); // a first tap is on its way
  if (form.method !== "post") return;
  form.dataset.sent = "1";
  form.setAttribute("aria-busy", "true");
});

document.addEventListener("click", (event) => copy(event.target.closest("[data-copy]")));

// Shown again out of the browser's memory, a page is made anew; with the desk away in between a form may be sent again.
addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
  for (const form of document.forms) {
    delete form.dataset.sent;
    form.removeAttribute("aria-busy");
  }
});

forget();
ready(document);
document.querySelector("[aria-invalid]")?.focus();
