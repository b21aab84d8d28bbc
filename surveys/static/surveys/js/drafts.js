/* Drafts that are kept on the phone, and how they are sent: each arrives once.

   A plain script and no module, because the worker takes it in with importScripts, which knows no modules.
   The page loads it first and finds it as `drafts`. The addresses of the service are told to it:
   `drafts.use({ list, send })`. */

(() => {
  "use strict";

  const STORE = "trapnight-in-the-garden";
  /* What a kept draft looks like. A page that finds a newer one leaves it alone. */
  const SCHEMA = 1;
  const CHANNEL = "trapnight-in-the-garden";
  const LOCK = "trapnight-send";
  /* A request without an answer is given up after so long, and tried again with the same id. */
  const PATIENCE_MS = 20000;
  const FIRST_WAIT_MS = 5000;
  const LONGEST_WAIT_MS = 10 * 60 * 1000;
  /* As long as the service keeps a draft of its own. */
  const KEEP_DRAFT_MS = 90 * 24 * 3600 * 1000;
  const KEEP_SENT_MS = 7 * 24 * 3600 * 1000;

  let addresses = {};
  let opened = null;

  function use(given) { addresses = given; }

  function supported() { return "indexedDB" in globalThis && "fetch" in globalThis; }

  /* --- the store ------------------------------------------------------------------------ */

  function open() {
    opened ??= new Promise((resolve, reject) => {
      const request = indexedDB.open(STORE, 1);
      request.onupgradeneeded = () => {
        request.result.createObjectStore("drafts", { keyPath: "uuid" });
        request.result.createObjectStore("kept");
      };
      request.onsuccess = () => {
        const store = request.result;
        /* Signing out elsewhere empties the store: nobody may hold it open then. */
        store.onversionchange = () => { store.close(); opened = null; };
        store.onclose = () => { opened = null; };
        resolve(store);
      };
      request.onerror = () => reject(request.error);
    }).catch((trouble) => { opened = null; throw trouble; });
    return opened;
  }

  function answerOf(request) {
    return new Promise((resolve, reject) => {
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  }

  /* Run `work(table)` in one transaction, and wait until it is on the disk. */
  async function within(name, mode, work, durability = "strict") {
    const store = await open();
    const transaction = store.transaction(name, mode, { durability });
    const done = new Promise((resolve, reject) => {
      transaction.oncomplete = resolve;
      transaction.onerror = () => reject(transaction.error);
      transaction.onabort = () => reject(transaction.error);
    });
    const [result] = await Promise.all([work(transaction.objectStore(name)), done]);
    return result;
  }

  const keep = (key, value) => within("kept", "readwrite", (table) => answerOf(table.put(value, key)));
  const kept = (key) => within("kept", "readonly", (table) => answerOf(table.get(key)));
  const one = (uuid) => within("drafts", "readonly", (table) => answerOf(table.get(uuid)));
  const drop = (uuid) => within("drafts", "readwrite", (table) => answerOf(table.delete(uuid))).then(tellTabs);

  const everything = () => within("drafts", "readonly", (table) => answerOf(table.getAll()));

  /* Every draft that this page can read, the oldest first. */
  async function all() {
    return (await everything()).filter((draft) => draft.schema === SCHEMA).sort((a, b) => a.begun - b.begun);
  }

  /* Change one draft in one transaction; `change` returns false to leave it as it is. */
  function alter(uuid, change, durability) {
    return within("drafts", "readwrite", async (table) => {
      const draft = await answerOf(table.get(uuid));
      if (!draft || draft.schema !== SCHEMA || change(draft) === false) return null;
      draft.changed = Date.now();
      await answerOf(table.put(draft));
      return draft;
    }, durability);
  }

  function newId() {
    if (crypto.randomUUID) return crypto.randomUUID();
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  }

  /* --- the life of a draft: open, ready, then sent or refused ---------------------------- */

  async function begin(kind, who, answers, about) {
    const draft = {
      uuid: newId(), schema: SCHEMA, kind, who, answers, at: "", state: "open", faults: {}, words: "", waits: "",
      tries: 0, due: 0, begun: Date.now(), changed: Date.now(), about, arrived: null,
    };
    await within("drafts", "readwrite", (table) => answerOf(table.add(draft)));
    tellTabs();
    return draft;
  }

  /* Write answers and the question at which somebody is. Nothing is written into one that is on its way. */
  function note(uuid, answers, at, mended = []) {
    return alter(uuid, (draft) => {
      if (draft.state !== "open") return false;
      for (const [name, value] of Object.entries(answers)) {
        if (value === "") delete draft.answers[name];
        else draft.answers[name] = value;
      }
      for (const field of mended) delete draft.faults[field];
      if (at !== undefined) draft.at = at;
      draft.reached ||= at === "check";
      return true;
    }, "relaxed");
  }

  /* Say what a draft is about, for the list of drafts. */
  function name(uuid, about) { return alter(uuid, (draft) => { draft.about = about; }); }

  function ready(uuid, about) {
    return alter(uuid, (draft) => {
      if (draft.state !== "open") return false;
      Object.assign(draft, { state: "ready", faults: {}, words: "", waits: "", due: 0, tries: 0, about });
      return true;
    }).then((draft) => { tellTabs(); return draft; });
  }

  /* Take one back from the queue to change it: only where it certainly has not arrived. */
  function reopen(uuid) {
    return alter(uuid, (draft) => {
      if (draft.state !== "ready" || draft.left) return false;
      Object.assign(draft, { state: "open", waits: "" });
      return true;
    }).then((draft) => { tellTabs(); return draft; });
  }

  /* --- sending -------------------------------------------------------------------------- */

  /* Fetch one's own traps and open settings with a fresh token. Returns { outcome, list }. */
  async function fetchList() {
    const answer = await ask(addresses.list, {});
    if (answer.outcome !== "list") return { outcome: answer.outcome };
    const { csrf, outcome, ...list } = answer;
    await keep("list", { ...list, fetched: Date.now() });
    return { outcome: "list", list, csrf };
  }

  /* One request. Whatever is no answer of ours counts as trouble: it is tried again. */
  async function ask(address, options) {
    let answer;
    try {
      answer = await fetch(address, {
        credentials: "same-origin", cache: "no-store", redirect: "error", signal: AbortSignal.timeout?.(PATIENCE_MS),
        ...options, headers: { Accept: "application/json", ...options.headers },
      });
    } catch {
      return { outcome: "no_signal" };
    }
    if (answer.status === 403) return { outcome: "token" };
    try {
      const said = await answer.json();
      const known = ["list", "taken", "faults", "conflict", "refused", "sign_in"].includes(said.outcome);
      return known && answer.status < 500 && answer.status !== 429 ? said : { outcome: "trouble" };
    } catch {
      return { outcome: "trouble" };
    }
  }

  const post = (draft, csrf) => ask(addresses.send, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRFToken": csrf },
    body: JSON.stringify({ kind: draft.kind, uuid: draft.uuid, answers: draft.answers }),
  });

  /* Send what is ready, one after the other, in one tab or worker at a time. Returns how many are left. */
  function sendAll({ hurry = true } = {}) {
    if (globalThis.navigator.locks) return navigator.locks.request(LOCK, () => sendQueue(hurry));
    return withLease(() => sendQueue(hurry));
  }

  /* Where a browser has no locks, a note in the store says until when somebody is sending. */
  async function withLease(work) {
    const now = Date.now();
    const mine = await within("kept", "readwrite", async (table) => {
      const until = await answerOf(table.get("sending"));
      if (until > now) return false;
      await answerOf(table.put(now + 4 * PATIENCE_MS, "sending"));
      return true;
    });
    if (!mine) return left();
    try {
      return await work();
    } finally {
      await keep("sending", 0);
    }
  }

  async function sendQueue(hurry) {
    let queue = await queued(hurry);
    if (!queue.length) return left();
    let { outcome, list, csrf } = await fetchList();
    if (outcome !== "list") {
      for (const draft of queue) await putOff(draft.uuid, outcome);
      tellTabs();
      return left();
    }
    const seen = new Set();
    while (queue.length) {
      const draft = queue[0];
      seen.add(draft.uuid);
      if (draft.who !== list.who) await putOff(draft.uuid, "other_person");
      else if (await waitsForAnother(draft)) await putOff(draft.uuid, "the_setting");
      else {
        /* From here on it may have arrived, whether or not the answer gets through. */
        await alter(draft.uuid, (mine) => { mine.left = true; });
        let answer = await post(draft, csrf);
        if (answer.outcome === "token") {
          ({ outcome, csrf = "" } = await fetchList());
          answer = outcome === "list" ? await post(draft, csrf) : { outcome };
        }
        await settle(draft.uuid, answer);
        tellTabs();
        if (["no_signal", "sign_in"].includes(answer.outcome)) break;
      }
      queue = (await queued(hurry)).filter((other) => !seen.has(other.uuid));
    }
    tellTabs();
    return left();
  }

  /* What is due now, in the order in which it was begun: a trap is set before it is emptied. */
  async function queued(hurry) {
    const now = Date.now();
    return (await all()).filter((draft) => draft.state === "ready" && (hurry || draft.due <= now));
  }

  /* A count that is about a setting on this phone waits until that has arrived. */
  async function waitsForAnother(draft) {
    const setting = draft.answers.opening ? await one(draft.answers.opening) : null;
    return Boolean(setting && setting.state !== "sent");
  }

  async function left() {
    const waiting = (await all()).filter((draft) => draft.state === "ready");
    return { waiting: waiting.length, retry: waiting.some((draft) => ["no_signal", "trouble"].includes(draft.waits)) };
  }

  function putOff(uuid, why) {
    return alter(uuid, (draft) => {
      draft.tries += 1;
      draft.waits = why === "token" ? "trouble" : why;
      draft.due = Date.now() + Math.min(FIRST_WAIT_MS * 2 ** (draft.tries - 1), LONGEST_WAIT_MS);
    });
  }

  async function settle(uuid, answer) {
    if (["no_signal", "trouble", "sign_in", "token", "list"].includes(answer.outcome)) {
      return putOff(uuid, answer.outcome === "list" ? "trouble" : answer.outcome);
    }
    return alter(uuid, (draft) => {
      draft.waits = "";
      if (answer.outcome === "taken") {
        /* It is with the service now: the answers need not lie about on the phone. */
        Object.assign(draft, { state: "sent", answers: {}, faults: {}, words: "" });
        draft.arrived = { at: Date.now(), where: answer.where, told: answer.told };
      } else if (answer.outcome !== "conflict") {
        /* Nothing was stored under this id: what is wrong can be mended, and sent again. */
        const { faults = {}, sentence } = answer;
        Object.assign(draft, { state: "open", left: false, faults, words: sentence, at: "" });
      } else {
        Object.assign(draft, { state: "refused", words: answer.sentence, arrived: { where: answer.where ?? "" } });
      }
    });
  }

  /* --- tabs, and what goes when ----------------------------------------------------------- */

  function tellTabs(news = "changed") {
    if (!("BroadcastChannel" in globalThis)) return;
    const channel = new BroadcastChannel(CHANNEL);
    channel.postMessage(news);
    channel.close();
  }

  /* Throw away what is old: drafts after ninety days, notes of what was sent after a week. */
  async function tidy() {
    const now = Date.now();
    for (const draft of await all()) {
      const limit = draft.state === "sent" ? KEEP_SENT_MS : KEEP_DRAFT_MS;
      if (draft.changed + limit < now) await drop(draft.uuid);
    }
  }

  /* Nobody is signed in. What is not sent yet is kept; without any, nothing personal stays. */
  async function forgetIfNothingWaits() {
    if ((await everything()).some((draft) => draft.state !== "sent")) return false;
    await wipe();
    return true;
  }

  /* Remove everything that the page keeps. */
  async function wipe() {
    const store = await opened?.catch(() => null);
    store?.close();
    opened = null;
    await new Promise((resolve) => {
      const request = indexedDB.deleteDatabase(STORE);
      request.onsuccess = request.onerror = request.onblocked = resolve;
    });
    if (globalThis.caches) {
      for (const name of await caches.keys()) if (name.startsWith("trapnight-")) await caches.delete(name);
    }
    tellTabs("wiped");
  }

  globalThis.drafts = Object.freeze({
    CHANNEL, use, supported, open, all, one, begin, note, name, ready, reopen, drop, keep, kept, fetchList, sendAll,
    tidy, forgetIfNothingWaits, wipe,
  });
})();
