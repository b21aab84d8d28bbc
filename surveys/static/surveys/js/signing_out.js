/* Signing out removes what pages keep on this phone. So where a draft is not sent yet, this asks first, on every page. */

/* The store of drafts.js. */
const STORE = "trapnight-in-the-garden";
/* Nobody is kept from signing out by a store that does not answer. */
const PATIENCE_MS = 2000;

const form = document.querySelector("[data-sign-out]");
const dialog = document.getElementById("unsent");

/* Say whether a draft is kept here that is not sent. Looking makes no store where there is none. */
function somethingWaits() {
  return new Promise((resolve, reject) => {
    setTimeout(resolve, PATIENCE_MS, false);
    const request = indexedDB.open(STORE);
    request.onupgradeneeded = () => request.transaction.abort();
    request.onerror = () => resolve(false);
    request.onsuccess = () => {
      const store = request.result;
      const drafts = store.transaction("drafts").objectStore("drafts").getAll();
      drafts.onsuccess = () => resolve(drafts.result.some((draft) => draft.state !== "sent"));
      drafts.onerror = () => reject(drafts.error);
      store.close();
    };
  });
}

form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (await somethingWaits().catch(() => false)) dialog.showModal();
  else form.submit();
});

dialog?.addEventListener("close", () => {
  if (dialog.returnValue === "leave") form.submit();
});
