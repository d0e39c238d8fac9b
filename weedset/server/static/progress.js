// How far one is: the row that grows at the foot, the count beside it, and the name of the batch.

import { byId, el, fill } from "./dom.js";
import { batch, session } from "./session.js";
import { labelOf, queue } from "./queue.js";

/** Show how far the batch is, and its name with what is still to be filled in. */
export function drawTally() {
  const item = batch();
  const total = item?.tiles ?? 0;
  const done = total - (item?.open ?? 0);
  const share = Math.floor((100 * done) / Math.max(1, total));
  byId("row").setAttribute("aria-valuenow", share);
  byId("grown").style.width = `${(100 * done) / Math.max(1, total)}%`;
  const count = session.way === "own" ? `${done} of ${total} cells` : `${Math.min(queue.at + 1, queue.length)} of ${queue.length}`;
  fill(byId("tally"), session.who ? el("span", { className: "as" }, `labelling as ${session.who}`) : null, count);
  const missing = item?.missing.length ? `, ${item.missing.length} to fill in` : "";
  fill(byId("batch-name"), el("span", {}, item?.site ?? "no batch"), item ? el("small", {}, item.taken_on, el("span", { className: "to-fill" }, missing)) : null);
}

/** Count the batch's open cells here, so that a label costs no further question. */
export function countChange(before, after) {
  for (const cell of after) {
    const was = before.get(cell.id);
    const item = session.start.batches.find((one) => one.id === cell.batch);
    if (item && session.way === "own") item.open += Number(Boolean(was)) - Number(Boolean(labelOf(cell)));
  }
}
