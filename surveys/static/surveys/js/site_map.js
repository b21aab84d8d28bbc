// A marker on the map of a square, and "use where I am". Without this file both pages work: the squares are
// radio buttons, and the place can be typed.

const DECIMALS = 6;
const METRES_IN_DEGREE = 111_320; // along a meridian, near enough for a step of the marker
const STEP_M = 100;
const FINE_STEP_M = 10;
const ROUGH_M = 500; // a phone that is less sure than this is better told by hand
const ARROWS = { ArrowUp: [0, 1], ArrowDown: [0, -1], ArrowRight: [1, 0], ArrowLeft: [-1, 0] };

class SiteMap {
  constructor(frame) {
    this.frame = frame;
    this.grid = frame.querySelector(".squares");
    const form = frame.closest("form");
    this.boxes = { latitude: form.elements.latitude, longitude: form.elements.longitude };
    this.told = form.querySelector("[data-told]");
    const { north, south, west, east } = frame.dataset;
    this.edges = { north: Number(north), south: Number(south), west: Number(west), east: Number(east) };
    this.marker = this.makeMarker();
    this.grid.addEventListener("click", (event) => this.press(event));
    this.grid.addEventListener("change", (event) => this.choose(event.target));
  }

  makeMarker() {
    const marker = document.createElement("button");
    marker.type = "button";
    marker.className = "marker";
    marker.hidden = true;
    marker.setAttribute("aria-label", this.frame.dataset.marker);
    marker.addEventListener("keydown", (event) => this.step(event));
    this.frame.append(marker);
    return marker;
  }

  // A click that a key or a label made has no place of its own.
  press(event) {
    if (event.detail === 0) return;
    const area = this.grid.getBoundingClientRect();
    const right = (event.clientX - area.left) / area.width;
    const down = (event.clientY - area.top) / area.height;
    const { north, south, west, east } = this.edges;
    this.pressed = true; // the radio button below tells of its change in a moment: then this press was meant
    setTimeout(() => (this.pressed = false));
    this.put(north + down * (south - north), west + right * (east - west));
  }

  // Arrow keys between the radio buttons move from square to square; then the middle of the square is meant.
  choose(radio) {
    if (this.pressed) return;
    const area = this.grid.getBoundingClientRect();
    const square = radio.parentElement.getBoundingClientRect();
    const { north, south, west, east } = this.edges;
    const right = (square.left + square.width / 2 - area.left) / area.width;
    const down = (square.top + square.height / 2 - area.top) / area.height;
    this.put(north + down * (south - north), west + right * (east - west), false);
  }

  step(event) {
    const arrow = ARROWS[event.key];
    if (!arrow) return;
    event.preventDefault();
    const metres = event.shiftKey ? FINE_STEP_M : STEP_M;
    const up = (arrow[1] * metres) / METRES_IN_DEGREE;
    const along = (arrow[0] * metres) / METRES_IN_DEGREE / Math.cos((this.latitude * Math.PI) / 180);
    this.put(this.latitude + up, this.longitude + along);
  }

  put(latitude, longitude, fine = true) {
    const { north, south, west, east } = this.edges;
    this.latitude = Math.min(Math.max(latitude, south), north);
    this.longitude = Math.min(Math.max(longitude, west), east);
    const right = (this.longitude - west) / (east - west);
    const down = (this.latitude - north) / (south - north);
    this.marker.style.left = `${right * 100}%`;
    this.marker.style.top = `${down * 100}%`;
    this.marker.hidden = false;
    this.boxes.latitude.value = fine ? this.latitude.toFixed(DECIMALS) : "";
    this.boxes.longitude.value = fine ? this.longitude.toFixed(DECIMALS) : "";
    this.tell(this.squareAt(right, down));
  }

  squareAt(right, down) {
    const area = this.grid.getBoundingClientRect();
    const [x, y] = [area.left + right * area.width, area.top + down * area.height];
    const holds = (box) => box.left <= x && x <= box.right && box.top <= y && y <= box.bottom;
    return [...this.grid.querySelectorAll("label")].find((label) => holds(label.getBoundingClientRect()));
  }

  tell(label) {
    const radio = label?.querySelector("input");
    if (radio) radio.checked = true;
    for (const other of this.grid.querySelectorAll("input")) if (other !== radio) other.checked = false;
    const { at, nowhere } = this.frame.dataset;
    this.told.textContent = radio ? at.replace("{square}", radio.value) : nowhere;
  }
}

// The place is asked for after a press on the button and at no other time.
class WhereIAm {
  constructor(form) {
    this.form = form;
    this.told = form.querySelector("[role=status]");
    form.querySelector("[type=button]").addEventListener("click", () => this.ask());
    form.hidden = false;
  }

  ask() {
    this.told.textContent = this.form.dataset.asking;
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => this.found(coords),
      () => (this.told.textContent = this.form.dataset.refused),
      { enableHighAccuracy: true, timeout: 20_000, maximumAge: 0 },
    );
  }

  found({ latitude, longitude, accuracy }) {
    this.form.elements.latitude.value = latitude.toFixed(DECIMALS);
    this.form.elements.longitude.value = longitude.toFixed(DECIMALS);
    this.form.querySelector("[type=submit]").hidden = false;
    const words = accuracy > ROUGH_M ? this.form.dataset.rough : this.form.dataset.found;
    this.told.textContent = words.replace("{metres}", Math.max(1, Math.round(accuracy)));
  }
}

for (const frame of document.querySelectorAll("[data-site-map]")) new SiteMap(frame);
if (navigator.geolocation) for (const form of document.querySelectorAll("[data-here]")) new WhereIAm(form);
