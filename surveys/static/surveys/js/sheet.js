// Looks again while a spreadsheet is read: the bar each second, the spoken words every five seconds at most.

const LOOK_MS = 1000;
const SAY_MS = 5000;
const MOST_MISSES = 30;

const box = document.querySelector("[data-reading]");
let saidAt = 0;
let misses = 0;

function take(fresh) {
  const bar = box.querySelector("progress");
  const freshBar = fresh.querySelector("progress");
  if (freshBar.hasAttribute("value")) {
    bar.max = freshBar.max;
    bar.value = freshBar.value;
  }
  const words = fresh.querySelector("[data-words]").textContent.trim().replace(/\s+/g, " ");
  box.querySelector("[data-words]").textContent = words;
  const now = Date.now();
  if (now - saidAt >= SAY_MS) {
    saidAt = now;
    box.querySelector("[data-said]").textContent = words;
  }
}

async function look() {
  try {
    const answer = await fetch(window.location.href, { headers: { Accept: "text/html" }, cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    misses = 0;
    const read = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = read.querySelector("[data-reading]");
    if (!fresh) {
      window.location.reload();
      return;
    }
    take(fresh);
  } catch {
    misses += 1;
    if (misses >= MOST_MISSES) return;
  }
  window.setTimeout(look, LOOK_MS * Math.min(1 + misses, 10));
}

if (box) window.setTimeout(look, LOOK_MS);
