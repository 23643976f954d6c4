"use strict";
// Sends photos (again until they have arrived) and shows how far they are. Words a reader sees come from the page.

const token = document.querySelector('meta[name="triage-token"]').content;
const own = { "x-triage-token": token, accept: "application/json" };

function freshKey() { // crypto.randomUUID is not there on plain http
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

const pause = (ms) => new Promise((wake) => setTimeout(wake, ms));

function put(address, file, told) { // XMLHttpRequest, because fetch does not tell how far an upload is
  return new Promise((settle) => {
    const request = new XMLHttpRequest();
    request.open("PUT", address);
    for (const [name, value] of Object.entries(own)) request.setRequestHeader(name, value);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.timeout = 120000;
    request.responseType = "json";
    request.upload.onprogress = (event) => told(event.loaded / Math.max(1, event.total));
    request.onload = () => settle({ status: request.status, said: request.response });
    request.onerror = request.ontimeout = () => settle({ status: 0 });
    request.send(file);
  });
}

async function insist(send, box) {
  for (let wait = 1000; ; wait = Math.min(wait * 1.7, 15000)) {
    const answer = await send();
    const sentence = answer.said && answer.said.sentence;
    if (answer.status >= 200 && answer.status < 300) return answer;
    if (answer.status === 413 || (answer.status === 400 && sentence && !/again/.test(sentence))) throw new Error(sentence);
    if (answer.status === 403) throw new Error("This phone is no longer paired; scan a new code on the PC.");
    box.words.textContent = `${sentence || "The PC cannot be reached."} Trying again by itself; keep this page open.`;
    await pause(wait);
  }
}

async function start(address) {
  try {
    const answer = await fetch(address, { method: "POST", headers: own });
    return { status: answer.status, said: await answer.json().catch(() => null) };
  } catch { return { status: 0 }; }
}

async function sendPhotos(files) {
  const area = document.querySelector("[data-sending]");
  const box = { words: area.querySelector("[data-words]"), bar: area.querySelector("progress") };
  area.hidden = false;
  document.querySelectorAll("[data-snap]").forEach((input) => { input.disabled = true; });
  const key = freshKey(), sample = document.querySelector("[data-most]").dataset.sample;
  const to = sample ? `?sample=${sample}` : "";
  try {
    const most = Number(document.querySelector("[data-most]").dataset.most);
    if (files.some((file) => file.size > most)) throw new Error(`A photo may have ${most / 1e6} MB; take it as an ordinary JPEG.`);
    for (const [index, file] of files.entries()) {
      const told = (part) => {
        box.bar.value = (index + part) / files.length;
        box.words.textContent = files.length > 1 ? `Sending photo ${index + 1} of ${files.length}` : "Sending the photo";
      };
      told(0);
      await insist(() => put(`/photos/${key}/${index}${to}`, file, told), box);
    }
    box.words.textContent = "Sent.";
    const answer = await insist(() => start(`/photos/${key}`), box);
    location.assign(answer.said.go);
  } catch (error) {
    box.words.textContent = error.message || "That photo cannot be sent; take it again.";
    document.querySelectorAll("[data-snap]").forEach((input) => { input.disabled = false; input.value = ""; });
  }
}

for (const input of document.querySelectorAll("[data-snap]")) {
  input.value = "";
  input.addEventListener("change", () => { if (input.files.length) sendPhotos(Array.from(input.files)); });
}

async function watch(area) {
  const words = area.querySelector("[data-words]");
  const answers = document.querySelector("[data-answers]");
  let touched = false;
  if (answers) answers.addEventListener("input", () => { touched = true; });
  for (;;) {
    await pause(600);
    let state;
    try { state = await (await fetch(area.dataset.state, { headers: own })).json(); } catch { words.textContent = "The PC cannot be reached; trying again."; continue; }
    if (state.going === undefined) { location.reload(); return; }
    if (!state.going) {
      if (!touched) { location.assign(state.go); return; }
      area.querySelectorAll("li").forEach((item) => { item.className = "done"; item.removeAttribute("aria-current"); });
      words.textContent = "Measured.";
      answers.querySelector("button").textContent = "Keep these answers and show the result";
      return;
    }
    area.querySelectorAll("li").forEach((item, index) => {
      item.className = index < state.stage ? "done" : index === state.stage ? "now" : "";
      if (index === state.stage) item.setAttribute("aria-current", "step"); else item.removeAttribute("aria-current");
    });
    const said = state.ahead ? `${state.ahead} before yours.` : "";
    if (words.textContent !== said) words.textContent = said;
  }
}

const state = document.querySelector("[data-state]");
if (state) watch(state);

// Two tapped points of a photo without a card become the fields of the form below it, and are drawn.
const SHAPES = "http://www.w3.org/2000/svg";

function drawPoints(picture, form, size) {
  const points = [1, 2].map((n) => [form[`x${n}`].value, form[`y${n}`].value]).filter((point) => point.every(Boolean));
  const over = document.createElementNS(SHAPES, "svg");
  over.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
  over.setAttribute("aria-hidden", "true");
  const add = (name, values) => {
    const shape = document.createElementNS(SHAPES, name);
    for (const [key, value] of Object.entries(values)) shape.setAttribute(key, value);
    over.append(shape);
  };
  for (const [cx, cy] of points) {
    add("circle", { cx, cy, r: size[0] / 60 });
    add("circle", { cx, cy, r: size[0] / 900 });
  }
  if (points.length === 2) add("line", { x1: points[0][0], y1: points[0][1], x2: points[1][0], y2: points[1][1] });
  picture.parentElement.querySelector("[data-tapped]")?.remove();
  over.dataset.tapped = "";
  picture.after(over);
}

const shown = document.querySelector("[data-points]");
const tapped = document.querySelector("[data-tapped-words]");
if (shown && tapped) {
  let next = 1;
  shown.addEventListener("click", async (event) => {
    const form = document.querySelector('input[name="x1"]').form;
    const box = shown.getBoundingClientRect();
    const size = (await fetch(shown.src, { method: "HEAD", headers: own })).headers.get("x-photo-size").split(" ").map(Number);
    form[`x${next}`].value = Math.round(((event.clientX - box.left) / box.width) * size[0]);
    form[`y${next}`].value = Math.round(((event.clientY - box.top) / box.height) * size[1]);
    drawPoints(shown, form, size);
    tapped.textContent = next === 1 ? "First point set; tap the second one." : "Both points set; give the millimetres between them below. Tap again to put them right.";
    next = 3 - next;
  });
}

// The shop's logo goes up as it is; the PC checks it and writes it anew.
const logo = document.querySelector("[data-logo]");
if (logo) {
  logo.addEventListener("change", async () => {
    const words = document.querySelector("[data-logo-words]"), file = logo.files[0];
    if (!file) return;
    if (file.size > Number(logo.dataset.most)) { words.textContent = "That picture is too big; choose a smaller one."; return; }
    const answer = await put("/shop/logo", file, () => { words.textContent = "Sending it"; });
    if (answer.status === 200) location.reload();
    else words.textContent = (answer.said && answer.said.sentence) || "The PC cannot be reached; try again.";
  });
}

// A filter list from a file fills the field; it is kept only when the button is pressed.
const list = document.querySelector("[data-list]");
if (list) {
  list.addEventListener("change", async () => {
    if (list.files[0]) document.querySelector("[name=list]").value = await list.files[0].text();
  });
}
