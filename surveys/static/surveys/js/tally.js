// The tally without waiting: plus and minus count at once, and what was counted is kept while one counts.
// Without this file every button works all the same; it then goes to the server and comes back to its row.

const MOST = 100000;
const SIGNS = ["n", "c", "a"];

function begin(form) {
  const rows = [...form.querySelectorAll("[data-row]")].map((element) => new Row(element, Number(form.dataset.most)));
  const byCode = new Map(rows.map((row) => [row.code, row]));
  const keeper = new Keeper(form, rows);
  const restSet = form.querySelector("[name=rest_set]");
  let rest = restSet.value.split(" ").map((code) => byCode.get(code)).filter(Boolean);

  const changed = () => {
    const left = rows.filter((row) => row.state === "||").length;
    say(form, answered(form, rows));
    const button = form.querySelector("[data-rest]");
    button.hidden = left === 0;
    button.textContent = left === 1 ? form.dataset.restOne : fill(form.dataset.restMany, { rows: left });
    const undo = form.querySelector("[data-undo]");
    undo.hidden = !rest.some((row) => row.state === "||none_seen");
    restSet.value = rest.map((row) => row.code).join(" ");
    keeper.soon();
  };

  form.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.name === "step") {
      const [verb, code] = button.value.split(":");
      if (!byCode.get(code).press(verb === "plus" ? 1 : -1)) return; // cannot be read: the server says so
      event.preventDefault();
      changed();
    } else if (button.name === "rest") {
      event.preventDefault();
      if (button.value === "none_seen") {
        rest = rows.filter((row) => row.state === "||");
        rest.forEach((row) => row.choose("none_seen"));
      } else {
        rest.filter((row) => row.state === "||none_seen").forEach((row) => row.choose(""));
        rest = [];
      }
      changed();
      const other = form.querySelector(button.value === "none_seen" ? "[data-undo]" : "[data-rest]");
      if (!other.hidden) other.focus();
    }
  });
  form.addEventListener("input", (event) => {
    const row = byCode.get(event.target.closest("[data-row]")?.dataset.row);
    if (!row) return;
    row.settle(event.target);
    changed();
  });
  form.addEventListener("submit", () => keeper.stop());
}

// One group: its box, its range and its other answers, of which one at most is given.
class Row {
  constructor(element, most) {
    this.element = element;
    this.code = element.dataset.row;
    this.most = most;
    this.number = element.querySelector(`[name="n_${this.code}"]`);
    this.range = element.querySelector(`[name="c_${this.code}"]`);
    this.others = [...element.querySelectorAll(`[name="a_${this.code}"]`)];
    this.shown = element.querySelector(`[name="w_${this.code}"]`);
    this.crowd = element.querySelector("[data-crowd]");
    this.look();
  }

  get other() {
    return this.others.find((one) => one.checked)?.value ?? "";
  }

  get state() {
    return [this.number.value.trim(), this.range.value, this.other].join("|");
  }

  // Count one more or one less; false where the box holds something that is no number.
  press(by) {
    const typed = this.number.value.trim();
    if (typed && !/^\d{1,9}$/.test(typed)) return false;
    if (!typed && by < 0) return true;
    const after = Math.min(Math.max(Number(typed || 0) + by, 0), MOST);
    this.number.value = after ? String(after) : "";
    this.settle(this.number);
    return true;
  }

  choose(value) {
    // "Left blank" is what a row is that has no answer of any kind.
    const blank = !value && !this.number.value.trim() && !this.range.value;
    this.others.forEach((one) => (one.checked = one.value === value && (value !== "" || blank)));
    this.look();
  }

  // The answer that was given last is the one that counts.
  settle(last) {
    const other = this.others.includes(last);
    if (other || (last === this.range && last.value)) this.number.value = "";
    if (other || (last === this.number && last.value)) this.range.value = "";
    if (!other) this.choose(last.value ? "" : this.other);
    this.look();
  }

  look() {
    const many = Number(this.number.value) > this.most || this.range.value !== "";
    this.crowd.hidden = !many;
    if (many) this.crowd.open = true;
    this.element.classList.toggle("answered-row", this.state !== "||");
  }
}

// Sends what has changed, a moment after the last change, so that a closed page loses nothing.
class Keeper {
  constructor(form, rows) {
    this.form = form;
    this.rows = rows;
    this.timer = 0;
    this.stopped = false;
    this.busy = false;
  }

  soon() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.keep(), 1200);
  }

  stop() {
    clearTimeout(this.timer);
    this.stopped = true;
  }

  async keep() {
    if (this.stopped) return;
    if (this.busy) return this.soon();
    const sent = this.rows.map((row) => [row, row.state]).filter(([row, state]) => row.shown.value !== state);
    if (!sent.length) return;
    const body = new FormData();
    body.set("csrfmiddlewaretoken", this.form.querySelector("[name=csrfmiddlewaretoken]").value);
    body.set("go", "keep");
    body.set("rest_set", this.form.querySelector("[name=rest_set]").value);
    for (const [row, state] of sent) {
      const parts = state.split("|");
      SIGNS.forEach((sign, place) => body.set(`${sign}_${row.code}`, parts[place]));
    }
    this.busy = true;
    try {
      const answer = await fetch(this.form.action, { method: "POST", body, redirect: "manual", credentials: "same-origin" });
      // What was kept is answered with a way on; any other answer has kept nothing.
      if (answer.type !== "opaqueredirect") return say(this.form, this.form.dataset.refused);
      for (const [row, state] of sent) row.shown.value = state;
      const later = sent.some(([row, state]) => row.state !== state);
      if (!later) say(this.form, `${answered(this.form, this.rows)}. ${this.form.dataset.kept}`);
    } catch {
      say(this.form, this.form.dataset.lost);
    } finally {
      this.busy = false;
    }
  }
}

function answered(form, rows) {
  const number = rows.filter((row) => row.state !== "||").length;
  return fill(form.dataset.answered, { number, all: rows.length });
}

function say(form, words) {
  const status = form.querySelector("[data-status]");
  if (status.textContent !== words) status.textContent = words;
}

function fill(words, parts) {
  return words.replace(/\{(\w+)\}/g, (all, name) => parts[name] ?? all);
}

for (const form of document.querySelectorAll("form[data-tally]")) begin(form);
