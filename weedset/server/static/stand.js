// Stand back: a sheet of many cells, to sweep through. Pick cells, then mark them together.

import { byId, el, fill } from "./dom.js";
import { chip, inWords } from "./markers.js";
import { ensure, labelOf, loadAhead, picture, queue } from "./queue.js";
import { keep, session } from "./session.js";

export const picked = new Set();
let plots = new Map();
let focused = 0;

/** The cells on the sheet in sight. */
export const sheet = () => queue.cells.slice(queue.at, queue.at + sheetSize());

const GAP = 6;

/** How the sheet is laid out: whole squares near the wished size that best fill the bed. */
function shape() {
  const bed = byId("bed");
  const width = Math.max(280, bed.clientWidth - 8);
  const height = Math.max(220, bed.clientHeight - 8);
  const wished = Math.max(3, Math.round((width + GAP) / (session.size + GAP)));
  const layouts = [wished - 1, wished, wished + 1].filter((cols) => cols >= 3).map((cols) => {
    const wide = (width - (cols - 1) * GAP) / cols;
    const rows = Math.max(2, Math.round((height + GAP) / (wide + GAP)));
    const side = Math.min(wide, (height - (rows - 1) * GAP) / rows);
    return { cols, rows, side, filled: cols * rows * side * side };
  });
  return layouts.reduce((best, one) => (one.filled > best.filled ? one : best));
}

export function sheetSize() {
  const { cols, rows } = shape();
  return Math.min(300, cols * rows);
}

/** Show the sheet that begins here. */
export async function showSheet(handlers) {
  drawSweep(handlers);
  const { cols, side } = shape();
  const size = sheetSize();
  await ensure(size + 1);
  const bed = byId("bed");
  bed.style.setProperty("--cols", cols);
  bed.style.setProperty("--side", `${side}px`);
  for (const id of picked) if (!sheet().some((cell) => cell.id === id)) picked.delete(id);
  plots = new Map(sheet().map((cell, place) => [cell.id, plot(cell, place, handlers)]));
  fill(bed, ...plots.values());
  focusPlot(0, false);
  loadAhead(queue.at + size, size, 0);
  ensure(2 * size);
}

function plot(cell, place, handlers) {
  const button = el("button", {
    type: "button", className: "plot", tabIndex: -1, dataset: { cell: cell.id, place },
    onclick: (event) => { if (event.detail === 0 || !swept) handlers.onPlot(cell.id); focused = place; },
    onpointerenter: () => lookCloser(cell), onfocus: () => lookCloser(cell),
  }, el("img", { src: cell.url, alt: "", draggable: false, onerror: () => button.classList.add("broken") }));
  dress(button, cell);
  return button;
}

let closer = 0;

/** Show the cell under the pointer, or in focus, larger and with the ground around it. */
function lookCloser(cell) {
  clearTimeout(closer);
  closer = setTimeout(async () => {
    const found = picture(`${cell.around}1.jpg`);
    const box = byId("closer");
    const mine = closer;
    if (!box.offsetParent && !box.hidden) return;  // narrow: there is no room
    if (!(await found.ready) || mine !== closer) return;
    found.image.alt = "";
    fill(box, found.image);
    box.hidden = false;
  }, 90);
}

/** The cell in focus. */
export const inFocus = () => sheet()[focused];

/** Show on a plot how its cell stands and whether it is picked. */
function dress(button, cell) {
  const label = labelOf(cell);
  button.classList.toggle("done", Boolean(label));
  button.setAttribute("aria-pressed", String(picked.has(cell.id)));
  const guess = cell.suggested && !label ? ` suggestion ${inWords(cell.suggested.statement)}` : "";
  button.setAttribute("aria-label", `Row ${cell.row} column ${cell.col}: ${inWords(label)}${guess}`);
  for (const old of button.querySelectorAll(".chip")) old.remove();
  if (label) button.append(chip(label, { short: true }));
  else if (cell.suggested) button.append(chip(cell.suggested.statement, { short: true, guess: `${Math.round(cell.suggested.sureness * 100)} % ` }));
}

/** Draw the plots anew, where they are. */
export function redress() {
  for (const cell of sheet()) {
    const button = plots.get(cell.id);
    if (button) dress(button, cell);
  }
}

export function pick(id, on = !picked.has(id)) {
  if (on) picked.add(id);
  else picked.delete(id);
  const cell = sheet().find((item) => item.id === id);
  if (cell) dress(plots.get(id), cell);
}

export const openOnes = () => sheet().filter((cell) => !labelOf(cell));

/** The cells that a key or a marker now speaks of: those picked, else the one in focus. */
export function spokenOf() {
  if (picked.size) return sheet().filter((cell) => picked.has(cell.id));
  const cell = sheet()[focused];
  return cell ? [cell] : [];
}

export function focusPlot(place, really = true) {
  const all = [...plots.values()];
  if (!all.length) return;
  focused = Math.min(Math.max(place, 0), all.length - 1);
  all.forEach((button, i) => { button.tabIndex = i === focused ? 0 : -1; });
  if (really) all[focused].focus();
}

/** Move the focus; returns false where that would leave the sheet. */
export function moveFocus(right, down) {
  const { cols } = shape();
  const place = focused + right + down * cols;
  if (place < 0 || place >= plots.size) return false;
  focusPlot(place);
  return true;
}

export const focusNext = () => focusPlot(focused + 1);

function drawSweep(handlers) {
  const size = el("select", { id: "tile-size", "aria-label": "Size of the tiles", onchange: (event) => { session.size = Number(event.target.value); keep(); handlers.onSize(); } },
    ...[["small", 76], ["middle", 112], ["large", 168]].map(([words, px]) => el("option", { value: px, selected: px === session.size }, `▦ ${words}`)));
  const parts = [
    el("button", { type: "button", id: "rest-bare", className: "main", onclick: handlers.onRest }, "The rest is bare ", el("kbd", {}, "r")),
    el("button", { type: "button", id: "pick-open", onclick: handlers.onAll }, "Pick all ", el("kbd", {}, "a")),
    size,
  ];
  if (session.start.model && session.way === "own") {
    const least = el("input", { type: "number", min: 0.5, max: 1, step: 0.01, value: session.least ?? 0.9, id: "least", onchange: (event) => { session.least = Number(event.target.value); } });
    parts.push(el("label", {}, "sure above ", least), el("button", { type: "button", id: "accept-all", onclick: () => handlers.onAccept(Number(least.value)) }, "Accept suggestions ", el("kbd", {}, "s")));
  }
  fill(byId("sweep"), ...parts);
}

let swept = false;
let sweeping = null;

/** Picking by dragging over cells: with a mouse any way, with a finger sideways. */
export function watchSweeps(onPlot) {
  const bed = byId("bed");
  const idAt = (event) => {
    const under = document.elementFromPoint(event.clientX, event.clientY)?.closest(".plot");
    return under && bed.contains(under) ? Number(under.dataset.cell) : null;
  };
  bed.addEventListener("pointerdown", (event) => {
    swept = false;
    sweeping = event.button === 0 ? { from: idAt(event), seen: new Set(), on: true } : null;
    if (sweeping?.from) sweeping.on = !picked.has(sweeping.from);
  });
  window.addEventListener("pointermove", (event) => {
    if (!sweeping || sweeping.from === null) return;
    const id = idAt(event);
    if (id === null || (id === sweeping.from && !swept)) return;
    swept = true;
    for (const each of [sweeping.from, id]) {
      if (!sweeping.seen.has(each)) onPlot(each, sweeping.on);
      sweeping.seen.add(each);
    }
  });
  for (const name of ["pointerup", "pointercancel"]) window.addEventListener(name, () => { sweeping = null; });
}
