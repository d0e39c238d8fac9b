// Kneel: one cell, large, with the ground around it.

import { byId, el, fill } from "./dom.js";
import { chip, inWords } from "./markers.js";
import { aroundUrl, current, ensure, labelOf, loadAhead, picture, queue } from "./queue.js";
import { batch, called, session } from "./session.js";

let shown = 0;

/** Show the current cell. Resolves once its picture is there, or known to be damaged. */
export async function showCell(onAccept, onDecide) {
  const cell = current();
  const turn = ++shown;
  const tile = picture(cell.url);
  if (!tile.done) await tile.ready;
  if (turn !== shown) return;
  const ground = byId("ground");
  ground.dataset.radius = session.radius;
  const label = labelOf(cell);
  const parts = [];
  if (tile.done) {
    tile.image.className = "cell";
    tile.image.alt = `Cell in row ${cell.row}, column ${cell.col} of ${cell.photo}: ${inWords(label)}`;
    parts.push(tile.image);
  } else {
    parts.push(el("p", { className: "broken" }, "This tile is damaged. Say “cannot tell”, or go on; cutting its photo again mends it."));
  }
  const around = picture(aroundUrl(cell));
  if (around.done && session.radius) parts.unshift(aroundImage(around));
  parts.push(el("div", { className: "shade" }));
  if (label) parts.push(el("div", { className: "label" }, chip(label)));
  if (isFirst()) parts.push(el("p", { className: "asks" }, "What grows inside the frame? Choose its marker, or “No plant”."));
  fill(ground, ...parts);
  ground.dataset.cell = cell.id;
  drawFacts(cell, label, onAccept, onDecide);
  if (!around.done && session.radius) {
    around.ready.then((good) => {
      if (good && turn === shown) ground.prepend(aroundImage(around));
    });
  }
  ensure(12).then(() => loadAhead(queue.at + 1, 8, 3));
}

/** Whether nobody has labelled any cell of this batch yet. */
const isFirst = () => session.way === "own" && batch()?.open === batch()?.tiles;

function aroundImage(around) {
  around.image.className = "around";
  around.image.alt = "";
  return around.image;
}

function drawFacts(cell, label, onAccept, onDecide) {
  const parts = [el("span", {}, `${cell.photo}, row ${cell.row}, column ${cell.col}`)];
  if (cell.green !== null) parts.push(el("span", {}, `${(cell.green * 100).toFixed(1)} % green`));
  if (label && cell.stands && cell.stands.who !== session.who) parts.push(el("span", {}, `labelled by ${called(cell.stands.who)}`));
  if (cell.stands?.origin === "suggestion") parts.push(el("span", {}, "accepted suggestion"));
  if (cell.suggested && !label) {
    const sure = Math.round(cell.suggested.sureness * 100);
    parts.push(el("button", { type: "button", id: "accept", onclick: onAccept }, "Suggestion: ", chip(cell.suggested.statement), ` ${sure} % sure. Accept `, el("kbd", {}, "Enter")));
  }
  if (session.way === "review") parts.push(opinions(cell, onDecide));
  fill(byId("facts"), ...parts);
}

/** What everybody said of a cell, to choose from, and the whole story below. */
function opinions(cell, onDecide) {
  const when = (item) => item.made_at.slice(0, 16).replace("T", " ");
  const said = (item) => (item.statement ? inWords(item.statement) : "took it back");
  return el("div", { className: "opinions" },
    el("p", { className: "hint" }, cell.reason),
    el("ul", {}, ...cell.opinions.map((item) => el("li", {}, el("span", {}, `${called(item.who)}: ${said(item)}`),
      el("button", { type: "button", onclick: () => onDecide(item.statement) }, "This is right")))),
    el("details", {}, el("summary", {}, `The story of this cell (${cell.history.length})`),
      el("ul", {}, ...cell.history.map((item) => el("li", {}, `${when(item)} UTC, ${called(item.who)} (${item.origin}): ${said(item)}`)))));
}
