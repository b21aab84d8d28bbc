/* The page in the garden: what is on this phone, one question at a time, and the way to the service.

   `drafts` (drafts.js) keeps and sends; `Job` (field.js) shows the questions. Where somebody is stands in the
   address, so that the browser's Back goes one question back. */

import { Job, clockParts, make, say } from "./field.js";

const { drafts } = globalThis;
const byId = (id) => document.getElementById(id);
const garden = byId("garden");
const { zone, untold } = garden.dataset;
const CHECK = "check";
const BACKBONE = "backbone";
const LIQUID_STOP = "liquid-stop";
const SYNC = "trapnight-send";
const SCREENS = ["start", CHECK, BACKBONE, LIQUID_STOP];

const jobs = new Map();
let list = null;
let signedIn = null;
let draft = null;
let registration = null;
let timer = null;
/* Changes are written one after the other; whoever goes on waits for the last one. */
let writing = Promise.resolve();

/* --- beginning -------------------------------------------------------------------------- */

async function begin() {
  drafts.use(garden.dataset);
  await drafts.open();
  await drafts.tidy();
  list = (await drafts.kept("list")) ?? null;
  for (const form of document.querySelectorAll("[data-job]")) {
    jobs.set(form.dataset.job, new Job(form, { zone, untold, changed, onward }));
    form.addEventListener("submit", (event) => { event.preventDefault(); onward(); });
    form.querySelector("[data-back]").addEventListener("click", back);
  }
  byId("plain").hidden = true;
  garden.hidden = false;
  listen();
  await route({ first: true });
  await refresh();
}

function listen() {
  for (const button of document.querySelectorAll("[data-begin]")) {
    button.addEventListener("click", () => beginDraft(button.dataset.begin).catch(notSaved));
  }
  byId("finish").addEventListener("click", () => finish().catch(notSaved));
  byId("check-back").addEventListener("click", back);
  byId("backbone-on").addEventListener("click", () => goTo(following("vertebrate_seen")));
  byId("liquid-clean").addEventListener("click", () => cleaned().catch(notSaved));
  byId("liquid-out").addEventListener("click", () => dropIt(draft));
  byId("liquid-slip").addEventListener("click", () => goTo("liquid"));
  byId("leave").addEventListener("click", leave);
  byId("throw-away").addEventListener("click", () => throwAway(draft));
  byId("send-now").addEventListener("click", () => sendNow());
  addEventListener("popstate", () => route());
  addEventListener("online", () => refresh());
  document.addEventListener("visibilitychange", () => { if (!document.hidden) sendNow({ hurry: false }); });
  if ("BroadcastChannel" in globalThis) {
    new BroadcastChannel(drafts.CHANNEL).addEventListener("message", ({ data }) => (data === "wiped" ? wiped() : heard()));
  }
}

/* Fetch what is one's own, keep the page for later, and send what waits. */
async function refresh() {
  const answer = await drafts.fetchList();
  if (answer.outcome === "list") {
    ({ list } = answer);
    list.fetched = Date.now();
    signedIn = true;
    await keepPage();
  } else if (answer.outcome === "sign_in") {
    signedIn = false;
    if (await drafts.forgetIfNothingWaits()) list = null;
  }
  await sendNow();
}

async function keepPage() {
  if (!("serviceWorker" in navigator)) return;
  try {
    registration = await navigator.serviceWorker.register(garden.dataset.worker, { scope: "/", updateViaCache: "none" });
    registration.active?.postMessage("keep");
  } catch {
    /* Without it the page still sends and still keeps drafts; it only cannot be opened without a signal. */
  }
}

/* --- what is on this phone --------------------------------------------------------------- */

const isMine = (one) => !list || one.who === list.who;
const traps = () => list?.traps ?? [];
const trapWords = (id) => traps().find((trap) => trap.id === id)?.words ?? say("some_trap");

function at(moment) {
  const { day, month, year, time } = clockParts(zone, new Date(moment));
  return `${day} ${month} ${year}, ${time}`;
}

/* Traps that stand open: those that the service knows of, and those that were set on this phone. */
async function standing() {
  const mine = (await drafts.all()).filter(isMine);
  const ended = new Set(mine.filter((one) => one.kind === "empty" && one.state !== "open").map((one) => one.about.opening));
  const known = (list?.open ?? []).map((one) => ({ ...one, words: say("open_since", { trap: trapWords(one.trap), at: at(one.set_at) }) }));
  const ids = new Set(known.map((one) => one.id));
  const here = mine
    .filter((one) => one.kind === "set" && !ids.has(one.uuid))
    .filter((one) => one.state === "ready" || (one.state === "sent" && one.arrived.at > (list?.fetched ?? 0)))
    .map((one) => ({ id: one.uuid, trap: one.about.trap, words: say("set_here", { trap: one.about.words }) }));
  return [...known, ...here].filter((one) => !ended.has(one.id));
}

async function drawStart() {
  const all = await drafts.all();
  const mine = all.filter(isMine);
  const waiting = mine.filter((one) => one.state === "ready");
  byId("drafts").replaceChildren(...mine.map(drawDraft));
  byId("listed").hidden = !mine.length;
  byId("send-row").hidden = !waiting.length;
  const others = all.length - mine.length;
  const lines = [];
  if (waiting.length) lines.push(say("waiting", { n: waiting.length }), ...reason(waiting));
  else if (mine.some((one) => one.state === "sent")) lines.push(say("all_sent"));
  if (others) lines.push(say("others", { n: others }));
  tell(byId("whereabouts"), lines.join(" "));
  drawNoList();
  planNext(waiting);
}

function reason(waiting) {
  const why = waiting.map((one) => one.waits).find(Boolean);
  return why && why !== "other_person" ? [say(why)] : [];
}

/* Without one's own traps there is nothing to begin with. */
function drawNoList() {
  const place = byId("no-list");
  const lines = [];
  if (signedIn === false) lines.push(list ? say("sign_in") : say("never_signed_in"), link("sign_in"));
  else if (!list) lines.push(say("never_signed_in"), link("sign_in"));
  else if (!traps().length) lines.push(say("no_traps"), link("my_sites"));
  place.replaceChildren(...lines.flatMap((line) => [line, " "]));
  place.hidden = !lines.length;
  const jobs = byId("jobs");
  if (jobs) jobs.hidden = !traps().length;
}

const link = (name) => byId("links").content.querySelector(`[data-link="${name}"]`).cloneNode(true);

function drawDraft(one) {
  const about = say("about", { job: say(one.kind), trap: one.about?.words || say("some_trap") });
  const state = { open: one.words ? "mend" : "unfinished", ready: "saved", sent: "sent", refused: "refused" }[one.state];
  const item = make("li", { className: `garden-draft ${one.state}` });
  item.append(make("h3", { textContent: about }), make("p", { className: "state", textContent: say(state) }));
  if (one.state === "ready" && one.waits && one.waits !== "other_person") item.append(make("p", { textContent: say(one.waits) }));
  if (one.words && one.state !== "ready") item.append(make("p", { className: "fault", textContent: one.words }));
  if (one.arrived?.told) item.append(make("p", { textContent: one.arrived.told }));
  item.append(make("p", { className: "buttons" }, ...actions(one, about)));
  return item;
}

function actions(one, about) {
  const found = [];
  if (one.state === "open") found.push(action("go_on", about, () => goOn(one)));
  if (one.state === "ready" && !one.left) found.push(action("change", about, () => change(one)));
  if (one.arrived?.where) {
    const words = one.state === "refused" ? "see_first" : `see_${one.kind}`;
    found.push(make("a", { href: one.arrived.where, textContent: say(words) }));
  }
  if (one.state === "sent") found.push(action("take_off", about, () => drafts.drop(one.uuid).then(drawStart)));
  else found.push(action("throw_away", about, () => throwAway(one)));
  return found;
}

function action(name, about, press) {
  const button = make("button", { className: "button-quiet", type: "button" }, say(name));
  button.append(make("span", { className: "hidden-words", textContent: `: ${about}` }));
  button.addEventListener("click", press);
  return button;
}

/* --- one draft --------------------------------------------------------------------------- */

async function beginDraft(kind) {
  const answers = kind === "set" ? await knownOfSetting() : await knownOfEmptying();
  draft = null;
  draft = await drafts.begin(kind, list.who, answers, about(answers, await standing()));
  await goTo(firstOpen(fill(draft, await standing())));
}

/* What follows from there being only one. */
async function knownOfSetting() {
  const closed = new Set((await standing()).map((one) => one.trap));
  const free = traps().filter((trap) => !closed.has(trap.id));
  return traps().length === 1 && free.length ? { trap: free[0].id } : {};
}

async function knownOfEmptying() {
  const open = await standing();
  if (open.length) return open.length === 1 ? { opening: open[0].id } : {};
  return { opening: untold, ...(traps().length === 1 ? { trap: traps()[0].id } : {}) };
}

/* What the list of drafts says of one, also once its answers are gone. */
function about(answers, open) {
  const setting = open.find((one) => one.id === answers.opening);
  const trap = setting?.trap ?? answers.trap ?? "";
  const since = setting?.set_at ?? "";
  return { trap, opening: answers.opening ?? "", since, words: trap ? trapWords(trap) : "" };
}

/* Put a draft's answers into its form, with one's own traps to choose from. */
function fill(one, open) {
  const job = jobs.get(one.kind);
  const closed = new Set(open.map((setting) => setting.trap));
  const mine = traps().map((trap) => ({ value: trap.id, words: trap.words }));
  if (one.kind === "set") {
    const shown = mine.map((trap) => (closed.has(trap.value)
      ? { ...trap, words: say("open_now", { trap: trap.words }), closed: true } : trap));
    job.offer("trap", shown);
  } else {
    job.offer("trap", mine);
    const settings = open.map((setting) => ({ value: setting.id, words: setting.words }));
    const chosen = one.answers.opening;
    const gone = chosen && chosen !== untold && !open.some((setting) => setting.id === chosen);
    if (gone) settings.push({ value: chosen, words: one.about.words });
    job.offer("opening", [...settings, { value: untold, words: say("untold") }]);
  }
  job.fill(one.answers);
  return job;
}

/* The first question that has no answer or a fault; where there is none, the page of all answers. */
function firstOpen(job) {
  const faulty = new Set(Object.keys(draft.faults).map((field) => job.questionOf(field)));
  return job.asked().find((name) => faulty.has(name) || Object.keys(job.missing(name)).length > 0) ?? CHECK;
}

/* The step after a question: one after the other, or, after all were seen, what is still open. */
function following(name) {
  const job = jobs.get(draft.kind);
  if (draft.reached) return firstOpen(job);
  const asked = job.asked();
  return asked[asked.indexOf(name) + 1] ?? CHECK;
}

function preceding(name) {
  const asked = jobs.get(draft.kind).asked();
  if (name === BACKBONE) return "vertebrate_seen";
  if (name === LIQUID_STOP) return "liquid";
  if (name === CHECK) return asked.at(-1);
  return draft.reached ? CHECK : asked[asked.indexOf(name) - 1];
}

function changed(given) {
  const { uuid } = draft;
  const job = jobs.get(draft.kind);
  const mended = Object.keys(draft.faults).filter((field) => Object.keys(given).some((name) => job.questionOf(name) === job.questionOf(field)));
  for (const field of mended) delete draft.faults[field];
  Object.assign(draft.answers, given);
  writing = writing
    .then(() => drafts.note(uuid, given, undefined, mended))
    .then((kept) => tell(byId("saved"), say(kept ? "saved" : "elsewhere")))
    .catch(notSaved);
}

/* "Continue", or a press that answers: on to the next question, unless something is missing. */
async function onward() {
  const job = jobs.get(draft.kind);
  const { step } = here();
  const proposed = job.box(step).dataset.kind === "moment" && !job.answered(step) ? job.typed(step) : {};
  if (Object.keys(proposed).length) {
    Object.assign(job.answers, proposed);
    changed(proposed);
  }
  const faults = job.missing(step);
  if (Object.keys(faults).length) return showFaults(job, step, faults);
  if (["opening", "trap"].includes(step)) await chooseAnew(job);
  await writing;
  if (step === "vertebrate_seen" && draft.answers.vertebrate_seen === "yes") return goTo(BACKBONE);
  return goTo(step === "liquid" && inDanger() ? LIQUID_STOP : following(step));
}

/* Antifreeze, soap or bait stands in a cup that is being set. */
function inDanger() {
  return draft.kind === "set" && byId(LIQUID_STOP).dataset.liquids.split(" ").includes(draft.answers.liquid);
}

/* The cup was cleaned: it is dry now. */
async function cleaned() {
  const now = { liquid: "nothing" };
  Object.assign(jobs.get(draft.kind).answers, now);
  changed(now);
  await writing;
  await goTo(following("liquid"));
}

/* Another trap or setting was chosen: the list of drafts says so. */
async function chooseAnew(job) {
  draft.about = about(job.answers, await standing());
  await writing;
  await drafts.name(draft.uuid, draft.about);
}

function back() {
  const { step } = here();
  const earlier = preceding(step);
  if (earlier) goTo(earlier);
  else leave();
}

async function leave() {
  await writing;
  goTo("");
}

async function finish() {
  const job = jobs.get(draft.kind);
  await writing;
  const open = job.asked().filter((name) => Object.keys(job.missing(name)).length > 0);
  if (open.length) return drawCheck({ tried: true });
  const { mouth_mm: mouth } = draft.answers;
  if (mouth && mouth !== garden.dataset.unknown) await drafts.keep("mouth_mm", mouth);
  const { uuid } = draft;
  await drafts.ready(uuid, draft.about);
  askToKeep();
  askToSync();
  await goTo("");
  byId("listed-heading").focus();
  await sendNow();
  const after = await drafts.one(uuid);
  /* The service wants something mended: back to that question, if nothing else was begun meanwhile. */
  if (after?.state === "open" && !draft) await goOn(after);
}

/* Asked once, after something worth keeping is there; the browser decides. */
async function askToKeep() {
  if (!navigator.storage?.persist || (await drafts.kept("asked_to_keep"))) return;
  await drafts.keep("asked_to_keep", true);
  await navigator.storage.persist().catch(() => false);
}

/* Where the browser can, it sends on its own once there is a signal, even if this page is closed by then. */
function askToSync() {
  registration?.sync?.register(SYNC).catch(() => null);
}

async function goOn(one) {
  draft = await drafts.one(one.uuid);
  const job = fill(draft, await standing());
  await goTo(draft.at && !Object.keys(draft.faults).length ? draft.at : firstOpen(job));
}

async function change(one) {
  draft = await drafts.reopen(one.uuid);
  if (draft) await goTo(CHECK);
  else await drawStart();
}

function throwAway(one) {
  const sure = byId("sure");
  byId("sure-about").textContent = one.about?.words ?? "";
  sure.returnValue = "";
  sure.addEventListener("close", async () => {
    if (sure.returnValue === "drop") await dropIt(one);
  }, { once: true });
  sure.showModal();
}

async function dropIt(one) {
  await writing;
  await drafts.drop(one.uuid);
  draft = null;
  await goTo("");
}

/* --- where somebody is --------------------------------------------------------------------- */

function here() {
  const [uuid = "", step = ""] = location.hash.slice(1).split("/");
  return { uuid, step };
}

async function goTo(step) {
  const hash = step ? `#${draft.uuid}/${step}` : "";
  if (location.hash !== hash) history.pushState(null, "", `${location.pathname}${location.search}${hash}`);
  await route();
}

/* Show what the address says. A page that is opened anew goes back to where somebody was. */
async function route({ first = false } = {}) {
  const { uuid, step } = here();
  const wanted = uuid || (first && (await drafts.kept("current")));
  const found = wanted ? await drafts.one(wanted) : null;
  if (found?.state !== "open" || !isMine(found)) return showStart();
  draft = found;
  const job = fill(draft, await standing());
  const name = step || draft.at || firstOpen(job);
  if (!uuid) history.replaceState(null, "", `#${draft.uuid}/${name}`);
  return showStep(job, name);
}

async function showStart() {
  draft = null;
  await drafts.keep("current", "");
  if (location.hash) history.replaceState(null, "", location.pathname + location.search);
  screen("start");
  document.title = say("title");
  await drawStart();
}

async function showStep(job, name) {
  await drafts.keep("current", draft.uuid);
  const known = job.asked().includes(name) || SCREENS.includes(name);
  const step = known ? name : firstOpen(job);
  draft.at = step;
  draft.reached ||= step === CHECK;
  writing = writing.then(() => drafts.note(draft.uuid, {}, step)).catch(() => null);
  screen(SCREENS.includes(step) ? step : draft.kind);
  if (step === CHECK) return drawCheck();
  byId("liquid-poison").hidden = draft.answers.liquid !== "preservative";
  if (step === BACKBONE || step === LIQUID_STOP) return byId(`${step}-heading`).focus();
  document.title = `${job.heading(step)} Trapnight`;
  if (step === "mouth_mm") job.offerLast(step, await drafts.kept("mouth_mm"));
  job.show(step);
  drawCautions(step);
  const faults = Object.fromEntries(Object.entries(draft.faults).filter(([field]) => job.questionOf(field) === step));
  return Object.keys(faults).length ? showFaults(job, step, faults) : job.showFaults(step, {});
}

function screen(name) {
  for (const id of SCREENS) byId(id).hidden = id !== name;
  for (const [kind, job] of jobs) job.form.hidden = kind !== name;
  byId("under-way").hidden = name === "start";
  byId("page-heading").hidden = name !== "start";
  byId("about").hidden = name === "start" || !draft?.about?.words;
  byId("about").textContent = draft?.about?.words ?? "";
  byId("saved").textContent = draft ? say("saved") : "";
  byId("summary").hidden = true;
  for (const line of document.querySelectorAll("[data-caution]")) line.hidden = true;
}

/* A kind word before a question: emptied early, or lost. */
function drawCautions(step) {
  const job = jobs.get(draft.kind);
  const lost = job.questions.some((box) => (box.dataset.skip ?? "").split(" ").includes(`trap_state=${draft.answers.trap_state}`));
  const asked = job.asked();
  const after = asked.indexOf("trap_state") >= 0 && asked.indexOf(step) > asked.indexOf("trap_state");
  const open_h = draft.about?.since ? (Date.now() - Date.parse(draft.about.since)) / 3600000 : Infinity;
  const told = { lost: lost && (after || step === CHECK), early: step === "emptied" && open_h < 16, liquid: step === CHECK && inDanger() };
  for (const line of document.querySelectorAll("[data-caution]")) line.hidden = !told[line.dataset.caution];
}

function drawCheck({ tried = false } = {}) {
  const job = jobs.get(draft.kind);
  const lines = job.asked().map((name) => {
    const [missing] = Object.values(job.missing(name));
    const change = action(missing ? "answer" : "change", job.heading(name), () => goTo(name));
    change.id = `change-${name}`;
    const told = missing
      ? make("dd", {}, make("span", { className: "fault", textContent: missing }))
      : make("dd", {}, ...job.inWords(name).map((line) => make("p", { textContent: line })));
    return [name, missing, make("div", { className: "told-line" }, make("dt", { textContent: job.heading(name) }), told, make("dd", { className: "change" }, change))];
  });
  byId("answers").replaceChildren(...lines.map(([, , line]) => line));
  drawCautions(CHECK);
  const open = lines.filter(([, missing]) => missing).map(([name, missing]) => [`change-${name}`, missing]);
  document.title = byId("check-heading").textContent;
  if (tried) return showSummary("", open);
  if (draft.words && !open.length) return showSummary(draft.words, []);
  return byId("check-heading").focus();
}

/* --- what is wrong --------------------------------------------------------------------------- */

function showFaults(job, name, faults) {
  const shown = job.showFaults(name, faults);
  showSummary("", shown);
}

function showSummary(sentence, faults) {
  byId("summary-sentence").textContent = sentence;
  byId("summary-list").replaceChildren(...faults.map(([id, words]) => {
    const there = make("a", { href: `#${id}`, textContent: words });
    /* The address says where somebody is: the link moves the focus only. */
    there.addEventListener("click", (event) => { event.preventDefault(); byId(id)?.focus(); });
    return make("li", {}, there);
  }));
  byId("summary").hidden = false;
  byId("summary").focus();
  document.title = `${say("error")} ${document.title}`;
}

/* --- sending ---------------------------------------------------------------------------------- */

async function sendNow({ hurry = true } = {}) {
  await drafts.sendAll({ hurry }).catch(() => null);
  await heard();
}

/* Something changed here or in another tab. */
async function heard() {
  list = (await drafts.kept("list")) ?? list;
  if (!draft) return drawStart();
  const found = await drafts.one(draft.uuid);
  if (found?.state !== "open") return showStart();
  return null;
}

function planNext(waiting) {
  clearTimeout(timer);
  const due = waiting.filter((one) => ["no_signal", "trouble"].includes(one.waits)).map((one) => one.due);
  if (due.length) timer = setTimeout(() => sendNow({ hurry: false }), Math.max(500, Math.min(...due) - Date.now()));
}

function wiped() {
  list = null;
  draft = null;
  signedIn = false;
  clearTimeout(timer);
  history.replaceState(null, "", location.pathname);
  screen("start");
  byId("drafts").replaceChildren();
  byId("listed").hidden = true;
  tell(byId("whereabouts"), say("wiped"));
  drawNoList();
}

/* The store refused: a full phone, or a browser that keeps nothing. */
function notSaved() {
  tell(byId(draft ? "saved" : "whereabouts"), say("not_saved"));
}

/* Words that are spoken aloud change only where they differ. */
function tell(place, words) {
  if (place.textContent !== words) place.textContent = words;
  place.hidden = !words;
}

if (drafts?.supported()) begin().catch(() => { garden.hidden = true; byId("plain").hidden = false; });
