// Number keys press the buttons that carry them, while nobody types. They can be switched off, and stay so. On a page
// that has only just come they are quiet: a second press of the key before decides nothing that nobody has read.

const QUIET_MS = 300;
const KEPT = "trapnight-number-keys";
const buttons = new Map([...document.querySelectorAll("[data-key]")].map((one) => [one.dataset.key, one]));
const choice = document.querySelector("[data-keys-on]");

function isOn() {
  try {
    return localStorage.getItem(KEPT) !== "off";
  } catch {
    return true;
  }
}

function show() {
  for (const cap of document.querySelectorAll(".key-cap")) cap.hidden = !choice.checked;
}

if (choice && buttons.size) {
  choice.checked = isOn();
  choice.closest("[data-keys]").hidden = false;
  show();
  choice.addEventListener("change", () => {
    show();
    try {
      localStorage.setItem(KEPT, choice.checked ? "on" : "off");
    } catch {
      /* A browser that keeps nothing: the choice holds for this page. */
    }
  });
  let pressed = true;
  setTimeout(() => { pressed = false; choice.closest("[data-keys]").dataset.keys = "ready"; }, QUIET_MS);
  document.addEventListener("keydown", (event) => {
    const types = event.target.closest("input:not([type=checkbox]):not([type=radio]), select, textarea");
    if (!choice.checked || types || pressed || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
    const button = buttons.get(event.key);
    if (!button) return;
    event.preventDefault();
    pressed = true;
    button.click();
  });
  // Somebody comes back with the browser's own button: the keys work again.
  window.addEventListener("pageshow", () => { pressed = false; });
}

// What is drawn beside a return comes after it; the link to it stays where it cannot be fetched.
const beside = document.querySelector("[data-beside]");

async function fill() {
  const answer = await fetch(beside.dataset.beside, { headers: { Accept: "text/html" }, redirect: "error" });
  if (!answer.ok) return;
  const drawn = new DOMParser().parseFromString(await answer.text(), "text/html").body.childNodes;
  beside.replaceChildren(...drawn);
}

if (beside) fill().catch(() => null);
