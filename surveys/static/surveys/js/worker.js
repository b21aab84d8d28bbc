/* The service worker: keeps the shell of one page for the garden, and sends what waits when the signal is back.

   The service writes four lines above this: SHELL = { version, page, files, signOut, list, send, drafts }.
   Pages come from the network, always. Kept are the shell page, which says nothing about anybody, and its files. */

const KEPT = `trapnight-${SHELL.version}`;
/* On a bad line, the kept page is better than a long wait. */
const PATIENCE_MS = 4000;
const SIGN_OUT_PATIENCE_MS = 5000;
const SYNC = "trapnight-send";
/* Tabs whose page came from what is kept get their files from there too, so that both are of one version. */
const withoutSignal = new Set();

importScripts(SHELL.drafts);
drafts.use({ list: SHELL.list, send: SHELL.send });

self.addEventListener("install", (event) => {
  event.waitUntil(keepShell().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(dropOlder().then(() => self.clients.claim()));
});

self.addEventListener("message", (event) => {
  if (event.data === "keep") event.waitUntil(keepShellAgain());
});

self.addEventListener("sync", (event) => {
  if (event.tag === SYNC) event.waitUntil(sendOrComeBack());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (address.origin !== self.location.origin) return;
  if (request.mode === "navigate" && request.method === "POST" && address.pathname === SHELL.signOut) {
    event.respondWith(signOut(request));
  } else if (request.mode === "navigate" && request.method === "GET") {
    event.respondWith(address.pathname === SHELL.page ? shellPage(event) : otherPage(request));
  } else if (request.method === "GET" && SHELL.files.includes(address.pathname)) {
    event.respondWith(shellFile(event));
  }
});

async function keepShell() {
  const kept = await caches.open(KEPT);
  await kept.addAll([SHELL.page, ...SHELL.files].map((address) => new Request(address, { cache: "reload" })));
}

/* After a sign-out nothing is kept. The next person who signs in gets the shell again. */
async function keepShellAgain() {
  const kept = await caches.open(KEPT);
  if (!(await kept.match(SHELL.page))) await keepShell();
}

async function dropOlder() {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith("trapnight-") && name !== KEPT).map((name) => caches.delete(name)));
}

async function shellPage(event) {
  const kept = () => caches.open(KEPT).then((found) => found.match(SHELL.page));
  const answer = await soonest(event.request, kept);
  if (answer.kept) withoutSignal.add(event.resultingClientId);
  return answer.response;
}

async function shellFile(event) {
  const kept = () => caches.open(KEPT).then((found) => found.match(event.request, { ignoreSearch: true }));
  if (withoutSignal.has(event.clientId)) {
    const found = await kept();
    if (found) return found;
  }
  return (await soonest(event.request, kept)).response;
}

/* The network's answer; or what is kept, if the network fails, is broken, or takes too long. */
async function soonest(request, kept) {
  const network = fetch(request);
  let timer;
  const late = new Promise((resolve) => { timer = setTimeout(resolve, PATIENCE_MS, null); });
  const first = await Promise.race([network.catch(() => null), late]);
  clearTimeout(timer);
  if (first && first.status < 500) return { response: first, kept: false };
  const found = await kept();
  if (found) return { response: found, kept: true };
  return { response: await network, kept: false };
}

/* No page but the shell works without a signal: go there, where the words say so. */
async function otherPage(request) {
  try {
    return await fetch(request);
  } catch (trouble) {
    const kept = await caches.open(KEPT);
    if (await kept.match(SHELL.page)) return Response.redirect(SHELL.page, 302);
    throw trouble;
  }
}

/* Send what waits while the person is still signed in, sign out, then remove all that is kept. */
async function signOut(request) {
  const patience = new Promise((resolve) => { setTimeout(resolve, SIGN_OUT_PATIENCE_MS); });
  await Promise.race([drafts.sendAll().catch(() => null), patience]);
  const answer = await fetch(request);
  if (answer.ok || answer.type === "opaqueredirect") await drafts.wipe();
  return answer;
}

/* The browser tries again later, by its own clock, when this fails. */
async function sendOrComeBack() {
  const { retry } = await drafts.sendAll();
  if (retry) throw new Error("Some drafts are not sent yet.");
}
