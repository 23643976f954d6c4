"use strict";
// Areas left out: drawn across the photo with a finger, or by tapping two corners. Works on what pieces.js shows.

const areaBox = area.querySelector("[data-area-box]");
const areaForm = area.querySelector("[data-area-form]");
const areaTold = area.querySelector("[data-area-told]");
const HOW = "Drag across it on the photo, or tap two of its corners.";
let corner = null, shape = null;

function within([x, y]) { // the photo, not what lies beside it
  return [Math.min(whole[0] + whole[2], Math.max(whole[0], x)), Math.min(whole[1] + whole[3], Math.max(whole[1], y))];
}

function outline(one, other) {
  if (shape) shape.remove();
  const [x, y] = [Math.min(one[0], other[0]), Math.min(one[1], other[1])];
  const size = { width: Math.abs(one[0] - other[0]), height: Math.abs(one[1] - other[1]) };
  shape = make("rect", { class: "drawn", x, y, ...size });
  svg.append(shape);
}

function settle(one, other) {
  outline(one, other);
  const { x0, y0, x1, y1 } = areaForm.elements;
  [x0, x1].forEach((field, i) => { field.value = Math.round(i ? Math.max(one[0], other[0]) : Math.min(one[0], other[0])); });
  [y0, y1].forEach((field, i) => { field.value = Math.round(i ? Math.max(one[1], other[1]) : Math.min(one[1], other[1])); });
  areaForm.elements.photo.value = photo;
  corner = null;
  areaTold.textContent = "Drawn. Press “Leave this area out”, or draw it again.";
}

let from = null;
const areaPen = {
  down(at) { from = within(at); },
  move(at) { if (from) outline(corner || from, within(at)); },
  up(at, tapped) {
    const to = within(at);
    if (!tapped) settle(from, to);
    else if (corner) settle(corner, to);
    else { corner = to; outline(to, to); areaTold.textContent = "Now tap the opposite corner."; }
    from = null;
  },
};

function wipe() {
  if (shape) shape.remove();
  shape = corner = from = null;
  ["x0", "y0", "x1", "y1"].forEach((name) => { areaForm.elements[name].value = ""; });
}

areaBox.addEventListener("toggle", (event) => {
  if (event.target !== areaBox) return; // the numbers' own fold
  pen = areaBox.open ? areaPen : null;
  form.hidden = areaBox.open; // so that what is drawn and its button stand together
  wipe();
  areaTold.textContent = areaBox.open ? HOW : "";
  look(...(areaBox.open ? whole : box).slice(0, 3));
  if (areaBox.open) view.scrollIntoView({ block: "nearest" });
});

areaForm.addEventListener("submit", async (event) => {
  const leave = event.submitter.value === "leave_out";
  if (leave && !areaForm.elements.x1.value) { event.preventDefault(); areaTold.textContent = HOW; return; }
  const done = await putRight(event, areaTold);
  if (!done) return;
  wipe();
  show(photo);
  areaTold.textContent = done.told;
});
