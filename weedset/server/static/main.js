// The page: what is in sight, what the keys and markers do, what comes next.

import { byId, calm, el, fill, tell, trouble } from "./dom.js";
import { ask, askUntilAnswered, Refused } from "./talk.js";
import { batch, begin, keep, session } from "./session.js";
import { atHand, bare, cannotTell, drawRack, inWords, maybe, plantName, plants } from "./markers.js";
import { current, ensure, goTo, labelOf, lookAgain, orderAnew, queue, restart, step } from "./queue.js";
import { canRedo, canUndo, isBusy, onElsewhere, redo, save, undo } from "./saving.js";
import { showCell } from "./kneel.js";
import * as stand from "./stand.js";
import { openPicker } from "./picker.js";
import { countChange, drawTally } from "./progress.js";
import { drawFinish } from "./finish.js";
import { lacks, openBatch } from "./batchform.js";
import { askSweep, openHelp, openOrder, openSecond, openStage, openTally } from "./panels.js";
import { watchKeys } from "./keys.js";

let chosen = new Set();   // plants gathered for a cell with several
let held = null;          // the marker in hand, to be put to each cell that is tapped
let painted = true;       // whether the cell in sight has been there for a frame

const standing = () => session.view === "stand";
const capital = (text) => text[0].toUpperCase() + text.slice(1);

/** Draw everything for what is in sight now. */
async function show() {
  const over = !current();
  byId("kneel").hidden = standing() || over;
  byId("stand").hidden = !standing() || over;
  byId("finish").hidden = !over;
  if (!standing() || over) byId("closer").hidden = true;
  document.querySelector(".rack").hidden = over && !canUndo();
  document.querySelector(".rack").classList.toggle("over", over);
  byId("kneel-button").setAttribute("aria-pressed", String(!standing()));
  byId("stand-button").setAttribute("aria-pressed", String(standing()));
  drawMarkers();
  drawTally();
  if (over) drawFinish(reload, () => setWay("own", session.start.who, session.sample));
  else if (standing()) await stand.showSheet(sheetHandlers);
  else await showCell(accept, (statement) => mark(statement));
  requestAnimationFrame(() => { painted = true; document.body.dataset.ready = queue.cells[queue.at]?.id ?? "end"; });
}

function drawMarkers() {
  drawRack({ pressed: pressed(), held, onMarker: useMarker, onAnswer: useAnswer, onMore: pickPlant, onSeveral: toggleSeveral, onMaybe: toggleMaybe, onStage: askStage, onBegin: () => openBatch(batchSaved) });
  byId("undo").disabled = !canUndo();
  byId("redo").disabled = !canRedo();
}

function pressed() {
  if (session.several) return chosen;
  const label = !standing() && current() ? labelOf(current()) : null;
  if (!label) return new Set(held ? [held] : []);
  const answers = { bare: ["bare"], "cannot tell": ["tell"], plants: [] }[label.verdict];
  return new Set([...label.present, ...answers, ...(label.unknown_plant ? ["unknown"] : [])]);
}

/** Save one statement about what is spoken of, then go on. */
async function mark(statement) {
  if (!current() || isBusy() || !painted) return;
  const cells = standing() ? stand.spokenOf() : [current()];
  await store(cells.map((cell) => [cell, statement]), false, inWords(statement));
}

/** Open the form where it is not said yet which plants to look for, or who labels. */
function lacksBeginning() {
  const what = lacks(batch());
  if (!what) return false;
  openBatch(batchSaved);
  tell(what === "plants" ? "First say which plants you look for." : "First say who is labelling.");
  return true;
}

async function store(pairs, accepted, spoken) {
  if (!pairs.length) return;
  if (lacksBeginning()) return;
  const before = new Map(pairs.map(([cell]) => [cell.id, labelOf(cell)]));
  const saved = await save(pairs, accepted);
  if (!saved) {
    await refreshSight();
    return;
  }
  countChange(before, saved);
  remember(pairs);
  endSeveral();
  const said = `${pairs.length > 1 ? `${pairs.length} cells: ` : ""}${spoken}. Saved.`;
  tell(capital(said));
  if (standing()) {
    const many = stand.picked.size > 0 || pairs.length > 1;
    stand.picked.clear();
    stand.redress();
    drawMarkers();
    drawTally();
    if (!stand.openOnes().length) await turnSheet(1);
    else if (!many && !held) stand.focusNext();
  } else {
    painted = false;
    await advance(session.onlyOpen || session.way !== "own");
  }
}

function remember(pairs) {
  for (const [cell, statement] of pairs) {
    const item = statement?.present.length === 1 && session.known.get(statement.present[0]);
    if (item && !item.example) item.example = cell.url;
  }
  const listed = new Set((batch()?.looked_for ?? []).map((item) => item.code));
  for (const code of pairs.flatMap(([, statement]) => statement?.present ?? [])) {
    if (!listed.has(code) && !session.recent.includes(code)) session.recent.push(code);
  }
}

async function advance(onlyOpen) {
  endSeveral();
  step(onlyOpen);
  if (queue.at >= queue.cells.length) await ensure(1);
  await show();
}

async function goBack() {
  if (queue.at > 0) queue.at -= 1;
  endSeveral();
  await show();
}

/** Draw again what is in sight, where something outside may have changed it. */
async function refreshSight() {
  drawMarkers();
  if (standing()) stand.redress();
  else if (current()) await showCell(accept, (statement) => mark(statement));
  painted = true;
}

async function turnSheet(direction) {
  const size = stand.sheetSize();
  stand.picked.clear();
  if (direction < 0) queue.at = Math.max(0, queue.at - size);
  else {
    queue.at = Math.min(queue.at + size, queue.cells.length);
    while (session.onlyOpen && current() && labelOf(current())) queue.at += 1;
    if (!current()) await ensure(1);
  }
  await show();
}

function useMarker(code, byKey = false) {
  if (session.several && !session.maybe) {
    chosen.has(code) ? chosen.delete(code) : chosen.add(code);
    drawMarkers();
  } else if (standing() && !stand.picked.size && !byKey && !session.maybe) {
    held = held === code ? null : code;
    drawMarkers();
    tell(held ? capital(`${plantName(code)} in hand: tap each cell it grows in.`) : "Put back.");
  } else mark(session.maybe ? maybe(code) : plants([code]));
}

/** The next marker then says that the plant may be there: neither presence nor absence counts. */
function toggleMaybe() {
  session.maybe = !session.maybe;
  drawMarkers();
}

function useAnswer(what) {
  if (what === "unknown" && session.several) {
    chosen.has(what) ? chosen.delete(what) : chosen.add(what);
    drawMarkers();
  } else mark(what === "bare" ? bare() : what === "tell" ? cannotTell() : plants([], true));
}

function toggleSeveral() {
  if (session.several && chosen.size) finishSeveral();
  else if (session.several) {
    endSeveral();
    drawMarkers();
  } else {
    session.several = true;
    const label = !standing() && current() ? labelOf(current()) : null;
    chosen = new Set([...(label?.present ?? []), ...(label?.unknown_plant ? ["unknown"] : [])]);
    drawMarkers();
    tell("Press the marker of every plant in this cell, then Enter.");
  }
}

function finishSeveral() {
  const codes = [...chosen].filter((code) => code !== "unknown");
  mark(plants(codes, chosen.has("unknown")));
}

function endSeveral() {
  session.several = false;
  session.maybe = false;
  chosen = new Set();
}

function askStage() {
  openStage((stage) => {
    session.stage = stage;
    keep();
    drawMarkers();
  });
}

function pickPlant() {
  openPicker((code) => {
    if (!atHand().includes(code)) session.recent.push(code);
    if (session.several) useMarker(code);
    else mark(session.maybe ? maybe(code) : plants([code]));
    drawMarkers();
  });
}

function accept() {
  const cell = current();
  if (cell?.suggested && !labelOf(cell)) store([[cell, cell.suggested.statement]], true, `accepted ${inWords(cell.suggested.statement)}`);
}

/** Mark the open cells that are not picked as bare; ask first where some look green. */
async function sweepRest() {
  const asked = new Set(stand.openOnes().map((cell) => cell.id));
  if (!asked.size || isBusy() || lacksBeginning()) return;
  await lookAgain([...asked]);  // greenness may be known by now
  const rest = stand.openOnes().filter((cell) => asked.has(cell.id) && !stand.picked.has(cell.id));
  const sweep = (cells) => store(cells.map((cell) => [cell, bare()]), false, "no plant");
  const dull = rest.filter((cell) => cell.green !== null && cell.green < session.leastGreen);
  if (dull.length === rest.length) await sweep(rest);
  else askSweep(rest, dull, sweep);
}

const sheetHandlers = {
  onPlot: (id) => {
    const cell = stand.sheet().find((item) => item.id === id);
    if (held && cell) store([[cell, plants([held])]], false, plantName(held));
    else stand.pick(id);
  },
  onRest: sweepRest,
  onAll: () => {
    for (const cell of stand.openOnes()) stand.pick(cell.id, true);
    tell(`${stand.picked.size} cells picked.`);
  },
  onAccept: (least) => {
    const sure = stand.openOnes().filter((cell) => cell.suggested && cell.suggested.sureness >= least);
    if (sure.length) store(sure.map((cell) => [cell, cell.suggested.statement]), true, "suggestions accepted");
    else tell("No suggestion on this sheet is that sure.");
  },
  onSize: () => show(),
};

async function turnBack(turn, done) {
  const before = new Map(queue.cells.map((cell) => [cell.id, labelOf(cell)]));
  const cells = await turn();
  if (!cells) {
    tell(isBusy() ? "" : "Nothing more.");
    await refreshSight();
    return;
  }
  for (const cell of cells) if (!before.has(cell.id)) before.set(cell.id, turn === undo ? {} : null);
  countChange(before, cells);
  endSeveral();
  if (!standing() || !stand.sheet().some((cell) => cell.id === cells[0].id)) {
    goTo(cells[0]);
    await show();
  } else {
    stand.redress();
    drawMarkers();
    drawTally();
  }
  tell(`${done}: ${cells.length > 1 ? `${cells.length} cells` : inWords(labelOf(cells[0]))}.`);
}

/** While the server still looks at the tiles, take up the better order now and then. */
async function takeUpOrder() {
  const untouched = queue.at === 0 && !canUndo();
  const keepNow = untouched ? 0 : standing() ? stand.sheetSize() : 1;
  if (!isBusy() && await orderAnew(keepNow) && untouched) await show();
}

async function reload() {
  endSeveral();
  held = null;
  stand.picked.clear();
  await restart();
  await show();
}

async function setWay(way, who, sample) {
  if (way === "second") session.first = session.who;
  else if (session.way === "second") who = session.first;
  Object.assign(session, { way, who, sample });
  if (way !== "own") session.view = "kneel";
  const banner = byId("banner");
  banner.hidden = way === "own";
  if (way !== "own") {
    const title = way === "second" ? `Blind sample, labelled by ${who}` : `Review, decided by ${who || "nobody named yet"}`;
    fill(banner, el("b", {}, title), el("button", { type: "button", id: "leave-way", onclick: () => setWay("own", session.who, sample) }, "Back to labelling"));
  }
  await reload();
}

async function setView(view) {
  // Kneel at the cell in focus; standing back, the sheet begins with the cell in sight.
  if (standing() && view === "kneel" && stand.inFocus()) goTo(stand.inFocus());
  session.view = view;
  if (session.way !== "second") keep();
  endSeveral();
  held = null;
  await show();
  tell(standing() && current() ? "Pick cells, then press a marker; or press a marker, then tap cells." : "");
}

async function batchSaved(other) {
  if (other) await reload();
  else await show();
}

const actions = {
  marker: (number) => {
    const code = atHand()[number - 1];
    if (code) useMarker(code, true);
    else if (!lacksBeginning()) tell(`There is no marker ${number}; p names any plant.`);
  },
  answer: useAnswer,
  several: toggleSeveral,
  maybe: toggleMaybe,
  enter: () => (session.several ? finishSeveral() : accept()),
  picker: pickPlant,
  stage: askStage,
  undo: () => turnBack(undo, "Taken back"),
  redo: () => turnBack(redo, "Done again"),
  next: () => (standing() ? turnSheet(1) : current() && advance(false)),
  before: () => (standing() ? turnSheet(-1) : goBack()),
  view: () => setView(standing() ? "kneel" : "stand"),
  wider: () => { session.radius = (session.radius + 1) % 3; keep(); show(); },
  letGo: () => { held = null; endSeveral(); stand.picked.clear(); if (standing()) stand.redress(); drawMarkers(); },
  help: openHelp,
  standing, sheet: sheetHandlers, move: stand.moveFocus,
};

function wire() {
  const press = { "kneel-button": () => setView("kneel"), "stand-button": () => setView("stand"), "open-batch": () => openBatch(batchSaved), "open-walk": () => openOrder(reload), "open-progress": openTally, "open-second": () => openSecond(setWay), "open-help": openHelp, undo: actions.undo, redo: actions.redo, on: actions.next, back: actions.before };
  for (const [id, action] of Object.entries(press)) byId(id).addEventListener("click", action);
  byId("menu").addEventListener("click", () => byId("menu").matches(":popover-open") && byId("menu").hidePopover());
  watchKeys(actions);
  stand.watchSweeps((id, on) => (held ? sheetHandlers.onPlot(id) : stand.pick(id, on)));
  let resizing = 0;
  window.addEventListener("resize", () => { clearTimeout(resizing); resizing = setTimeout(() => standing() && show(), 150); });
  onElsewhere(async (ids) => {
    const known = ids.filter((id) => queue.cells.some((cell) => cell.id === id));
    if (!known.length) return;
    await lookAgain(known);
    await refreshSight();
  });
  window.addEventListener("unhandledrejection", (event) => {
    const error = event.reason;
    trouble(error instanceof Refused ? error.message : "The computer does not answer.", error.fix ?? "Is `weedset label` still running? Saved labels are safe; load this page again.");
  });
}

const started = await askUntilAnswered("start", {}, () => trouble("The computer does not answer.", "Is `weedset label` still running?", 0));
calm();
await begin(started);
wire();
if (started.listed) {
  session.batch = Object.keys(started.listed)[0] ?? session.batch;
  await setWay("review", session.who, session.sample);
} else await reload();
setInterval(takeUpOrder, 2500);
if (batch() && lacks(batch())) openBatch(batchSaved);
