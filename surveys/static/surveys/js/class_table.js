// Moving about in a table of boxes: Enter and the arrows up and down go to the next row, and the arrows to the sides
// leave a box once the cursor stands at its edge. Without this file, Tab goes from box to box.

for (const table of document.querySelectorAll("[data-class-table]")) begin(table);

function begin(table) {
  const rows = [...table.tBodies[0].rows].map((row) => [...row.querySelectorAll("input[type=text]")]).filter((row) => row.length);
  const places = new Map();
  rows.forEach((row, down) => row.forEach((box, across) => places.set(box, [down, across])));

  table.addEventListener("keydown", (event) => {
    const place = places.get(event.target);
    if (!place || event.altKey || event.ctrlKey || event.metaKey || event.isComposing) return;
    const next = whereTo(event, place, rows.length, rows[0].length);
    if (event.key === "Enter") event.preventDefault(); // a form would be sent by it
    if (!next) return;
    event.preventDefault();
    const box = rows[next[0]][next[1]];
    box.focus();
    box.select();
  });
}

// Return the place that a key leads to, or null where it stays.
function whereTo(event, [down, across], height, width) {
  const box = event.target;
  const all = box.selectionStart === 0 && box.selectionEnd === box.value.length;
  const steps = {
    ArrowUp: [down - 1, across],
    ArrowDown: [down + 1, across],
    ArrowLeft: all || box.selectionEnd === 0 ? [down, across - 1] : null,
    ArrowRight: all || box.selectionStart === box.value.length ? [down, across + 1] : null,
  };
  const enter = event.shiftKey ? [down - 1, across] : down + 1 < height ? [down + 1, across] : [0, across + 1];
  const next = event.key === "Enter" ? enter : event.shiftKey ? null : (steps[event.key] ?? null);
  return next && next[0] >= 0 && next[0] < height && next[1] >= 0 && next[1] < width ? next : null;
}
