"use strict";
// The photo with its pieces: pinch, drag, wheel or buttons to look closer, tap a piece to read and correct it.

const area = document.querySelector("[data-pieces]");
const view = area.querySelector("[data-view]");
const form = area.querySelector("[data-piece]");
const told = area.querySelector("[data-told]");
const SVG = "http://www.w3.org/2000/svg";
const NEAR_PX = 24; // a fingertip
let known, paths, svg, box, whole, photo = 0, chosen = null;
let pen = null; // while an area is drawn, one finger draws

function make(name, attributes) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

function line(piece) {
  if (piece.outline.length < 6) {
    const r = Math.max(4, whole[2] / 300);
    return `M${piece.x - r} ${piece.y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`;
  }
  let text = "M";
  for (let i = 0; i < piece.outline.length; i += 2) text += `${i ? "L" : ""}${piece.outline[i]} ${piece.outline[i + 1]}`;
  return `${text}Z`;
}

function dress(piece) {
  const names = [piece.small && "tiny", piece.given && "given", (piece.rejected || piece.covered) && "out", piece === chosen && "chosen"];
  paths.get(piece.id)?.setAttribute("class", names.filter(Boolean).join(" "));
}

function look(x, y, width) {
  const ratio = whole[3] / whole[2];
  width = Math.min(whole[2], Math.max(whole[2] / 60, width));
  const height = width * ratio;
  box = [
    Math.min(whole[0] + whole[2] - width, Math.max(whole[0], x)),
    Math.min(whole[1] + whole[3] - height, Math.max(whole[1], y)), width, height,
  ];
  svg.setAttribute("viewBox", box.join(" "));
  svg.setAttribute("class", pen ? "drawing" : width === whole[2] ? "whole" : ""); // then one finger scrolls the page
}

function zoom(factor, at) {
  const [x, y, width, height] = box;
  const [px, py] = at || [x + width / 2, y + height / 2];
  const wide = Math.min(whole[2], Math.max(whole[2] / 60, width * factor));
  look(px - ((px - x) / width) * wide, py - ((py - y) / width) * wide, wide);
}

function place(event) {
  const frame = svg.getBoundingClientRect();
  const scale = Math.max(box[2] / frame.width, box[3] / frame.height);
  return [
    box[0] + box[2] / 2 + (event.clientX - frame.left - frame.width / 2) * scale,
    box[1] + box[3] / 2 + (event.clientY - frame.top - frame.height / 2) * scale, scale,
  ];
}

function nearest([x, y, scale]) {
  let best = null, least = NEAR_PX * scale;
  for (const piece of known.pieces) {
    if (piece.photo !== photo) continue;
    let away = Math.hypot(piece.x - x, piece.y - y);
    for (let i = 0; i < piece.outline.length; i += 2) away = Math.min(away, Math.hypot(piece.outline[i] - x, piece.outline[i + 1] - y));
    if (away < least) { least = away; best = piece; }
  }
  return best;
}

function choose(piece, { follow = false } = {}) {
  const before = chosen;
  chosen = piece;
  const fits = { forget: piece?.given, reject: !piece?.rejected, restore: piece?.rejected }; // the others mean nothing now
  for (const [action, shown] of Object.entries(fits)) form.querySelector(`[value="${action}"]`).hidden = !shown;
  if (before) dress(before);
  if (!piece) { told.textContent = "No piece chosen."; return; }
  if (piece.photo !== photo) show(piece.photo);
  dress(piece);
  form.elements.piece.value = piece.id;
  form.elements.kind.value = piece.kind;
  const out = piece.rejected ? " Left out." : piece.covered ? " It lies in an area that is left out." : "";
  const looks = piece.given ? "said to be " : piece.kind === "unsure" ? "" : "looks like ";
  told.textContent = `Piece ${piece.id}: ${piece.size}; ${looks}${piece.kind_words}.${out}`;
  const inside = piece.x > box[0] && piece.x < box[0] + box[2] && piece.y > box[1] && piece.y < box[1] + box[3];
  if (follow && (!inside || box[2] > whole[2] / 3)) {
    const wide = whole[2] / 5;
    look(piece.x - wide / 2, piece.y - (wide * whole[3]) / whole[2] / 2, wide);
  }
}

function step(by) {
  const mine = known.pieces.filter((piece) => piece.photo === photo && !piece.small);
  if (!mine.length) return;
  const now = mine.indexOf(chosen);
  choose(mine[now < 0 ? 0 : Math.min(mine.length - 1, Math.max(0, now + by))], { follow: true });
}

function show(index) {
  photo = index;
  whole = known.photos[index];
  svg = make("svg", { role: "img", "aria-label": "The photo with every piece outlined", preserveAspectRatio: "xMidYMid meet" });
  svg.append(make("image", { href: `${area.dataset.photo}${index}`, x: whole[0], y: whole[1], width: whole[2], height: whole[3], preserveAspectRatio: "none" }));
  paths = new Map();
  for (const piece of known.pieces) {
    if (piece.photo !== index) continue;
    const path = make("path", { d: line(piece) });
    paths.set(piece.id, path);
    svg.append(path);
    dress(piece);
  }
  for (const [where, x, y, width, height] of known.areas) {
    if (where === index) svg.append(make("rect", { class: "away", x, y, width, height }));
  }
  view.replaceChildren(svg);
  look(...whole.slice(0, 3));
  listen();
}

function listen() {
  const fingers = new Map();
  let moved = 0, spread = 0;
  const ends = () => Array.from(fingers.values());
  svg.addEventListener("pointerdown", (event) => {
    svg.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, event);
    moved = fingers.size > 1 ? 99 : 0;
    spread = 0;
    if (pen && fingers.size === 1) pen.down(place(event));
  });
  svg.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const scale = place(event)[2];
    fingers.set(event.pointerId, event);
    const [dx, dy] = [event.clientX - before.clientX, event.clientY - before.clientY];
    moved += Math.abs(dx) + Math.abs(dy);
    if (pen && fingers.size === 1) { pen.move(place(event)); return; }
    look(box[0] - (dx * scale) / fingers.size, box[1] - (dy * scale) / fingers.size, box[2]);
    if (fingers.size === 2) {
      const [one, two] = ends();
      const apart = Math.hypot(one.clientX - two.clientX, one.clientY - two.clientY);
      if (spread) zoom(spread / apart, place({ clientX: (one.clientX + two.clientX) / 2, clientY: (one.clientY + two.clientY) / 2 }));
      spread = apart;
    }
  });
  const lift = (event) => {
    if (fingers.delete(event.pointerId) && event.type === "pointerup") {
      if (pen) pen.up(place(event), moved < 10);
      else if (moved < 10) choose(nearest(place(event)));
    }
    spread = 0;
  };
  svg.addEventListener("pointerup", lift);
  svg.addEventListener("pointercancel", lift);
  svg.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.altKey) return; // plain scrolling scrolls the page
    event.preventDefault();
    zoom(event.deltaY > 0 ? 1.2 : 1 / 1.2, place(event));
  }, { passive: false });
}

// Sends a form that puts something right; shows the findings as they are then, and returns the fields sent.
async function putRight(event, words) {
  event.preventDefault();
  const sent = event.target, fields = new URLSearchParams(new FormData(sent));
  fields.set("action", event.submitter.value);
  const buttons = sent.querySelectorAll("button");
  buttons.forEach((button) => { button.disabled = true; });
  try {
    const answer = await fetch(sent.getAttribute("action"), { method: "POST", headers: own, body: fields });
    const said = await answer.json();
    if (!answer.ok) { words.textContent = said.sentence; return null; }
    document.getElementById("findings").innerHTML = said.findings;
    area.querySelector("[data-area-list]").innerHTML = said.areas;
    known = await (await fetch(area.dataset.pieces, { headers: own })).json();
    chosen = null;
    return { fields, told: said.told };
  } catch {
    words.textContent = "The PC cannot be reached; nothing was changed. Try again.";
    return null;
  } finally {
    buttons.forEach((button) => { button.disabled = false; });
  }
}

async function correct(event) {
  const done = await putRight(event, told);
  if (!done) return;
  known.pieces.forEach(dress);
  choose(known.pieces.find((each) => each.id === Number(done.fields.get("piece"))));
  told.textContent += ` ${done.told}`;
}

async function begin() {
  known = await (await fetch(area.dataset.pieces, { headers: own })).json();
  const tools = area.querySelector("[data-tools]");
  tools.hidden = false;
  tools.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.step) step(Number(button.dataset.step));
    else if (button.dataset.zoom === "all") look(...whole.slice(0, 3));
    else zoom(button.dataset.zoom === "in" ? 1 / 1.6 : 1.6);
  });
  const pick = area.querySelector("[data-pick]");
  if (known.photos.length > 1) {
    pick.hidden = false;
    const select = pick.querySelector("select");
    known.photos.forEach((_, index) => select.append(new Option(`${index + 1} of ${known.photos.length}`, index)));
    select.addEventListener("change", () => show(Number(select.value)));
  }
  form.elements.piece.addEventListener("change", () => choose(known.pieces.find((each) => each.id === Number(form.elements.piece.value)), { follow: true }));
  form.addEventListener("submit", correct);
  choose(null);
  show(0);
}

begin();
