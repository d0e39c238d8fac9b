// The cells in the order of labelling: fetched ahead, pictures decoded before they are needed.

import { calm, trouble } from "./dom.js";
import { ask, askUntilAnswered } from "./talk.js";
import { asker, learnCodes, session } from "./session.js";

const AHEAD = 40;
const KEEP_BEHIND = 1500;
const MOST_PICTURES = 160;

export const queue = { name: "", cells: [], at: 0, lastStep: -1, ended: false, length: 0 };

let fetching = null;
let epoch = 0;
let partial = false;  // whether the order was made before every tile had been looked at

/** Forget the queue and begin a new one. */
export async function restart() {
  epoch += 1;
  fetching = null;
  Object.assign(queue, { name: "", cells: [], at: 0, lastStep: -1, ended: false, length: 0 });
  await ensure(AHEAD);
}

/** Make sure that `count` cells from here on are known, if there are so many. */
export async function ensure(count) {
  while (!queue.ended && queue.cells.length - queue.at < count) {
    fetching ??= fetchMore(Math.max(AHEAD, count), epoch).finally(() => { fetching = null; });
    await fetching;
  }
}

/**
 * Order anew what lies beyond the next `keep` cells, where the order was made too early.
 * Returns whether there was reason to.
 */
export async function orderAnew(keep) {
  if (!partial || session.way !== "own" || session.order === "photo") return false;
  const before = { ...queue };
  epoch += 1;
  fetching = null;
  Object.assign(queue, { name: "", lastStep: -1, ended: false, cells: queue.cells.slice(0, queue.at + keep) });
  try {
    await ensure(AHEAD);
    return true;
  } catch {
    Object.assign(queue, before);  // the order there was will do
    return false;
  }
}

async function fetchMore(count, mine) {
  const body = {
    who: asker(), way: session.way, only_open: session.onlyOpen || session.way === "second",
    after: queue.lastStep, count: Math.min(count, 400), order: session.order,
    least_green: session.leastGreen, sample: session.sample,
  };
  if (session.batch) body.batch = session.batch;
  if (queue.name) body.queue = queue.name;
  let waited = false;
  const answer = await askUntilAnswered("cells", body, () => {
    waited = true;
    trouble("The computer does not answer.", "Saved labels are safe. The page goes on as soon as it does.", 0);
  });
  if (waited) calm();
  if (mine !== epoch) return;
  // The server was started anew and knows the queue no more: what it gives begins at the front.
  if (queue.name && answer.fresh) queue.cells.length = queue.at + 1;
  queue.name = answer.queue;
  queue.length = answer.length;
  partial = answer.partial;
  queue.ended = answer.cells.length < body.count;
  if (answer.cells.length) queue.lastStep = answer.cells.at(-1).step;
  const known = new Set(queue.cells.map((cell) => cell.id));
  queue.cells.push(...answer.cells.filter((cell) => !known.has(cell.id)));
  if (queue.at > KEEP_BEHIND) {
    queue.cells.splice(0, queue.at - KEEP_BEHIND);
    queue.at = KEEP_BEHIND;
  }
  await learnCodes(answer.cells.flatMap(codesOf));
}

function codesOf(cell) {
  return [cell.said, cell.stands?.statement, cell.suggested?.statement].flatMap((said) => said?.present ?? []);
}

export const current = () => queue.cells[queue.at];

/** What is shown as the label of a cell. */
export function labelOf(cell) {
  return session.way === "own" ? (cell.stands?.statement ?? null) : cell.said;
}

/** Move on to the next cell; over those that are labelled by now, where `onlyOpen`. */
export function step(onlyOpen) {
  do queue.at += 1; while (onlyOpen && queue.at < queue.cells.length && labelOf(current()));
}

/** Put newer records of cells in place of the old ones. */
export function renew(cells) {
  const fresh = new Map(cells.map((cell) => [cell.id, cell]));
  for (let i = 0; i < queue.cells.length; i += 1) {
    const cell = fresh.get(queue.cells[i].id);
    if (cell) queue.cells[i] = { ...queue.cells[i], ...cell, step: queue.cells[i].step };
  }
}

/** Go to a cell, putting it here where it is not in the queue. */
export function goTo(cell) {
  const place = queue.cells.findIndex((item) => item.id === cell.id);
  if (place >= 0) queue.at = place;
  else queue.cells.splice(queue.at, 0, cell);
}

/** Ask how cells stand now. */
export async function lookAgain(ids) {
  const cells = (await ask("some", { who: asker(), way: session.way, ids })).cells;
  await learnCodes(cells.flatMap(codesOf));
  renew(cells);
  return cells;
}

const pictures = new Map();

/** Return a picture being loaded or loaded already; `ready` tells when it can be painted. */
export function picture(url) {
  let found = pictures.get(url);
  if (found) pictures.delete(url);
  else {
    const image = new Image();
    image.src = url;
    found = { image, done: false, ready: null };
    found.ready = image.decode().then(() => { found.done = true; return true; }, () => false);
  }
  pictures.set(url, found);
  if (pictures.size > MOST_PICTURES) pictures.delete(pictures.keys().next().value);
  return found;
}

/** Load the pictures of the next cells. */
export function loadAhead(from, count, around) {
  const next = queue.cells.slice(from, from + count);
  for (const cell of next) picture(cell.url);
  if (around) for (const cell of next.slice(0, around)) picture(aroundUrl(cell));
}

export const aroundUrl = (cell) => `${cell.around}${session.radius || 1}.jpg`;
