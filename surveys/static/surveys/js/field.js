/* One job of the page in the garden: its questions one by one, what is answered, and what is missing.

   The questions stand in the page as the service drew them. Answers are flat: a name and a text each.
   Pressing one of several answers is one tap: it is kept, and the next question comes. */

const words = document.getElementById("words").content;

/* Say something in the language of the page. */
export function say(name, filled = {}) {
  const text = words.querySelector(`[data-word="${name}"]`).textContent.trim();
  return text.replace(/\{(\w+)\}/g, (whole, key) => filled[key] ?? whole);
}

/* Make an element with some of its properties. */
export function make(tag, properties = {}, ...inside) {
  const found = Object.assign(document.createElement(tag), properties);
  found.append(...inside);
  return found;
}

/* The parts of a moment by the season's clock, in the reader's language. */
export function clockParts(zone, at = new Date()) {
  const shown = new Intl.DateTimeFormat(document.documentElement.lang || "en-GB", {
    timeZone: zone || undefined, day: "numeric", month: "long", year: "numeric", hour: "2-digit", minute: "2-digit",
    hourCycle: "h23",
  }).formatToParts(at);
  const part = (kind) => shown.find((one) => one.type === kind).value;
  return { day: part("day"), month: part("month"), year: part("year"), time: `${part("hour")}:${part("minute")}` };
}

/* The four boxes of a moment, filled with this minute. */
function momentNow(name, zone) {
  return Object.fromEntries(Object.entries(clockParts(zone)).map(([part, value]) => [`${name}_${part}`, value]));
}

/* The rows of the tally are drawn for a form that goes to the service: here their buttons count at once. */
function prepareRow(row) {
  for (const button of row.querySelectorAll("[name=step]")) {
    Object.assign(button, { type: "button", name: "" }).dataset.step = button.value.startsWith("plus") ? "1" : "-1";
    button.removeAttribute("name");
  }
  row.querySelector('[type="hidden"]')?.remove();
  const { row: code } = row.dataset;
  const fault = make("p", { className: "fault", id: `f_${code}`, hidden: true });
  fault.dataset.fault = `n_${code}`;
  row.querySelector("legend").after(fault);
}

const rowName = (row) => row.querySelector(".name").textContent.trim();

export class Job {
  /* `changed(answers)` is called with every change, as a name and a text for each answer that changed;
     `onward()` when a question is answered by one press. */
  constructor(form, { zone, untold, changed, onward }) {
    Object.assign(this, { form, zone, untold, changed, onward, kind: form.dataset.job, answers: {}, rest: [] });
    this.questions = [...form.querySelectorAll("[data-question]")];
    this.rows = [...form.querySelectorAll("[data-row]")];
    for (const row of this.rows) prepareRow(row);
    form.addEventListener("input", (event) => this.#typed(event.target));
    form.addEventListener("click", (event) => this.#pressed(event.target.closest("button"), event.detail > 1));
  }

  /* --- which questions are asked --------------------------------------------------------- */

  /* The names of the questions that the answers lead past, in order. */
  asked() {
    return this.questions.filter((box) => !this.#skipped(box)).map((box) => box.dataset.question);
  }

  #skipped(box) {
    const { opening } = this.answers;
    const given = { ...this.answers, opening: opening && opening !== this.untold ? "told" : opening };
    return (box.dataset.skip ?? "").split(" ").filter(Boolean).some((pair) => {
      const [name, value] = pair.split("=");
      return given[name] === value;
    });
  }

  box(name) { return this.questions.find((box) => box.dataset.question === name); }

  heading(name) { return this.box(name).querySelector("h1").textContent.trim(); }

  /* The name of the question to which an answer belongs; undefined where there is none. */
  questionOf(field) {
    if (/^[nca]_/.test(field)) return this.questions.find((box) => box.dataset.kind === "tally")?.dataset.question;
    return this.questions.find((box) => box.querySelector(`[data-fault="${CSS.escape(field)}"]`))?.dataset.question;
  }

  /* Whether something was answered, right or wrong. */
  answered(name) { return Object.values(this.#given(name)).some((value) => value.trim()); }

  /* Show one question. A moment begins with now, until somebody says otherwise. */
  show(name) {
    for (const box of this.questions) box.hidden = box.dataset.question !== name;
    const box = this.box(name);
    const { kind } = box.dataset;
    if (kind === "moment") this.#showClock(box, name);
    const asked = this.asked();
    const progress = this.form.querySelector("[data-progress]");
    progress.textContent = say("progress", { n: asked.indexOf(name) + 1, of: asked.length });
    /* Where one press answers, "Continue" is for those who answered before. */
    this.form.querySelector("[type=submit]").hidden = ["choice", "trap"].includes(kind) && !this.answered(name);
    this.form.hidden = false;
    box.querySelector("h1").focus();
  }

  #showClock(box, name) {
    const now = momentNow(name, this.zone);
    box.querySelector("[data-now]").textContent = say("now", { time: now[`${name}_time`] });
    if (!this.answered(name)) for (const [field, value] of Object.entries(now)) this.#put(field, value);
  }

  /* --- filling in and reading ------------------------------------------------------------ */

  fill(answers) {
    this.form.reset();
    this.answers = { ...answers };
    this.rest = [];
    for (const field of this.#fields()) this.#put(field.name, answers[field.name] ?? "");
    for (const row of this.rows) this.#drawRow(row);
    if (this.rows.length) this.#drawTally();
  }

  #fields(within = this.form) { return [...within.querySelectorAll("[name]")]; }

  #named(name) { return [...this.form.querySelectorAll(`[name="${CSS.escape(name)}"]`)]; }

  /* Show one answer. */
  #put(name, value) {
    const fields = this.#named(name);
    const pressed = fields.find((field) => field.type === "button" && field.value === value && !field.dataset.last);
    for (const field of fields) {
      if (field.type === "button") this.#mark(field, field === pressed && value !== "");
      else if (field.type === "radio") field.checked = field.value === value;
      else field.value = pressed ? "" : value;
    }
  }

  #mark(button, chosen) {
    button.classList.toggle("chosen", chosen);
    button.querySelector(".mine")?.remove();
    if (chosen) button.append(" ", make("span", { className: "mine", textContent: say("mine") }));
  }

  #given(name) {
    const names = new Set(this.#fields(this.box(name)).map((field) => field.name));
    return Object.fromEntries([...names].map((field) => [field, this.answers[field] ?? ""]));
  }

  /* What stands in the boxes of a question now, answered or only proposed. */
  typed(name) {
    const boxes = this.#fields(this.box(name)).filter((field) => !["button", "radio"].includes(field.type));
    return Object.fromEntries(boxes.filter((field) => field.value).map((field) => [field.name, field.value]));
  }

  /* What the service would say of a question that was left empty, by answer. */
  missing(name) {
    const given = this.#given(name);
    const empty = (field) => !(given[field] ?? "").trim();
    const faults = {};
    for (const { dataset: { fault, missing } } of this.box(name).querySelectorAll("[data-missing]")) {
      /* One sentence stands for day, month and year. */
      const parts = fault.endsWith("_day") ? ["day", "month", "year"].map((part) => fault.replace(/day$/, part)) : [fault];
      const nothing = fault === "tally" ? Object.keys(given).every(empty) : parts.some(empty);
      if (nothing && missing) faults[fault] = missing;
    }
    return faults;
  }

  /* Show what is wrong with one question; returns [id, sentence] of each fault, for the summary. */
  showFaults(name, faults) {
    const box = this.box(name);
    const shown = [];
    for (const line of box.querySelectorAll("[data-fault]")) {
      const field = line.dataset.fault;
      const sentence = faults[field] ?? "";
      line.textContent = sentence;
      line.hidden = !sentence;
      for (const answer of this.#named(field)) this.#link(answer, line.id, Boolean(sentence));
      const target = document.getElementById(`${this.kind}-${field}`) ?? this.#named(field)[0] ?? box.querySelector("input");
      if (sentence) shown.push([target.id, sentence]);
    }
    box.classList.toggle("has-fault", shown.length > 0);
    return shown;
  }

  #link(answer, id, wrong) {
    if (wrong) answer.setAttribute("aria-describedby", id);
    else answer.removeAttribute("aria-describedby");
    if (["button", "radio"].includes(answer.type)) return;
    if (wrong) answer.setAttribute("aria-invalid", "true");
    else answer.removeAttribute("aria-invalid");
  }

  /* Draw the answers of a question that is about one's own traps. */
  offer(name, options) {
    const place = this.form.querySelector(`[data-choices="${name}"]`);
    const drawn = options.map(({ value, words: text, closed }) => make("li", {}, closed
      ? make("p", { className: "answer closed" }, make("span", { textContent: text }))
      : make("button", { className: "answer", type: "button", name, value }, make("span", { textContent: text }))));
    place.replaceChildren(...drawn);
    const first = place.querySelector("button");
    if (first) first.id = `${this.kind}-${name}`;
  }

  /* Offer what a box held last time, as one press. */
  offerLast(name, value) {
    const button = this.form.querySelector(`[data-last="${name}"]`);
    if (!button) return;
    button.hidden = !value;
    button.value = value || "";
    button.textContent = value ? say("last_time", { value }) : "";
  }

  /* --- in words, for the page that shows every answer ------------------------------------- */

  /* One answer as a list of lines. */
  inWords(name) {
    const { kind } = this.box(name).dataset;
    if (kind === "tally") return this.#countedInWords();
    if (kind === "moment") return [this.#momentInWords(name)];
    const given = this.answers[name] ?? "";
    const pressed = this.#named(name).find((field) => field.type === "button" && field.value === given && !field.dataset.last);
    if (pressed) return [pressed.querySelector("span").textContent.trim()];
    if (!given) return [say(kind === "note" ? "nothing_to_add" : "no_answer")];
    return [kind === "measure" ? say("millimetres", { n: given }) : given];
  }

  #momentInWords(name) {
    const parts = ["day", "month", "year", "time"].map((part) => this.answers[`${name}_${part}`] ?? "");
    if (parts.every((part) => !part)) return say("no_answer");
    const [day, month, year, time] = parts;
    return `${day} ${month} ${year}, ${time}`;
  }

  #countedInWords() {
    const lines = [];
    const rest = new Map();
    for (const row of this.rows) {
      const { row: code } = row.dataset;
      const count = this.answers[`n_${code}`] || this.#range(row);
      if (count) lines.push(say("counted", { kind: rowName(row), count }));
      else rest.set(this.#other(row), (rest.get(this.#other(row)) ?? 0) + 1);
    }
    return [...lines, ...[...rest].map(([other, n]) => say("kinds", { other, n }))];
  }

  #range(row) {
    const { [`c_${row.dataset.row}`]: given } = this.answers;
    return given ? row.querySelector(`option[value="${CSS.escape(given)}"]`)?.textContent.trim() ?? "" : "";
  }

  #other(row) {
    const given = this.answers[`a_${row.dataset.row}`] ?? "";
    const radio = [...row.querySelectorAll("[type=radio]")].find((one) => one.value === given);
    return radio?.labels[0].textContent.trim() ?? "";
  }

  /* --- what somebody does ------------------------------------------------------------------ */

  #keep(given) {
    Object.assign(this.answers, given);
    this.changed(given);
  }

  #typed(field) {
    if (!field.name) return;
    const row = field.closest("[data-row]");
    if (row) this.#typedInRow(row, field);
    else {
      for (const other of this.#named(field.name)) if (other.type === "button") this.#mark(other, false);
      /* The boxes of a moment belong together: one that was proposed is kept with the one that was changed. */
      const moment = field.closest('[data-kind="moment"]');
      this.#keep({ ...(moment ? this.typed(moment.dataset.question) : {}), [field.name]: field.value });
    }
  }

  /* A row has one answer: a number, a range or another answer. The last one counts. */
  #typedInRow(row, field) {
    const { row: code } = row.dataset;
    const given = { [`n_${code}`]: "", [`c_${code}`]: "", [`a_${code}`]: "", [field.name]: field.value };
    for (const [name, value] of Object.entries(given)) if (name !== field.name) this.#put(name, value);
    this.#keep(given);
    this.#drawRow(row);
    this.#drawTally();
  }

  #isBlank(row) { return ["n", "c", "a"].every((sign) => !this.answers[`${sign}_${row.dataset.row}`]); }

  /* Above so many a range will do. */
  #drawRow(row) {
    const { row: code } = row.dataset;
    const crowd = row.querySelector("[data-crowd]");
    const many = Number(this.answers[`n_${code}`]) > Number(this.form.dataset.most) || Boolean(this.answers[`c_${code}`]);
    crowd.hidden = !many;
    if (many) crowd.open = true;
    row.classList.toggle("answered-row", !this.#isBlank(row));
    const more = row.closest("[data-more]");
    if (more && !this.#isBlank(row)) more.open = true;
  }

  #drawTally() {
    const blank = this.rows.filter((row) => this.#isBlank(row));
    const status = this.form.querySelector("[data-counted]");
    status.textContent = say("rows", { number: this.rows.length - blank.length, all: this.rows.length });
    const button = this.form.querySelector("[data-rest]");
    button.hidden = !blank.length;
    button.textContent = say(blank.length === 1 ? "rest_one" : "rest_many", { rows: blank.length });
    this.form.querySelector("[data-undo]").hidden = !this.rest.some((row) => this.#isRest(row));
  }

  #isRest(row) { return this.answers[`a_${row.dataset.row}`] === "none_seen"; }

  /* A double tap answers one question: its second half falls on the next one, and is not meant for it. */
  #pressed(button, again) {
    if (!button) return;
    const { step, now } = button.dataset;
    if (step) this.#step(button.closest("[data-row]"), Number(step));
    else if ("rest" in button.dataset) this.#setRest();
    else if ("undo" in button.dataset) this.#undoRest();
    else if (again) return;
    else if (now) this.#oneTap(momentNow(now, this.zone));
    else if (button.name) this.#oneTap({ [button.name]: button.value });
  }

  #oneTap(given) {
    for (const [name, value] of Object.entries(given)) this.#put(name, value);
    this.#keep(given);
    this.onward();
  }

  /* Minus takes a slip back. Down to nothing a row is blank again: that there was none is said on purpose. */
  #step(row, by) {
    const box = row.querySelector(`[name="n_${row.dataset.row}"]`);
    const typed = box.value.trim();
    /* What cannot be read as a number stays, to be mended. */
    if ((typed && !/^\d{1,9}$/.test(typed)) || (!typed && by < 0)) return;
    const count = Math.max(Number(typed) + by, 0);
    box.value = count ? String(count) : "";
    this.#typedInRow(row, box);
  }

  /* Whoever looked and saw nothing else says so for all rows that are blank. */
  #setRest() {
    this.rest = this.rows.filter((row) => this.#isBlank(row));
    this.#answerAll(this.rest, "none_seen");
    this.form.querySelector("[data-undo]").focus();
  }

  #undoRest() {
    this.#answerAll(this.rest.filter((row) => this.#isRest(row)), "");
    this.rest = [];
    this.#drawTally();
    this.form.querySelector("[data-rest]").focus();
  }

  #answerAll(rows, value) {
    const given = Object.fromEntries(rows.map((row) => [`a_${row.dataset.row}`, value]));
    for (const [name, answer] of Object.entries(given)) this.#put(name, answer);
    this.#keep(given);
    for (const row of rows) this.#drawRow(row);
    this.#drawTally();
  }
}
