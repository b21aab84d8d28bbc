/* A link to a section opens the whole of it, and whoever prints the page prints all of it. */

function openTheOneAskedFor() {
  const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (!target) return;
  const whole = target.closest("details") ?? document.querySelector(`[data-whole="${CSS.escape(target.id)}"]`);
  if (!whole || whole.open) return;
  whole.open = true;
  target.scrollIntoView();
}

addEventListener("hashchange", openTheOneAskedFor);
addEventListener("beforeprint", () => {
  for (const whole of document.querySelectorAll("details.whole")) whole.open = true;
});
openTheOneAskedFor();
