// The end of an order: what is left, and what comes next.

import { byId, el, fill, words } from "./dom.js";
import { ask } from "./talk.js";
import { batch, keep, session } from "./session.js";
import { current, queue } from "./queue.js";
import { openTally } from "./panels.js";

const button = (id, label, onclick, main = false) => el("button", { type: "button", id, className: main ? "main" : "", onclick }, label);

/** Say that nothing is left here. `reload` looks anew; `goHome` leaves a blind sample or a review. */
export function drawFinish(reload, goHome) {
  const goOnWith = (id) => {
    session.batch = id;
    keep();
    reload();
  };
  if (session.way === "own") drawBedDone(reload, goOnWith);
  else drawSecondDone(reload, goHome);
  if (session.way === "review" && session.start.listed) offerListed(goOnWith);
}

function drawBedDone(reload, goOnWith) {
  const left = batch()?.open ?? 0;
  const next = left ? null : session.start.batches.find((item) => item.open && item.id !== session.batch);
  fill(byId("finish"), el("h2", {}, "This bed is done"),
    el("p", {}, left ? `No open cell is left in this order; ${left} were passed over or came in meanwhile.` : `All ${batch()?.tiles ?? 0} cells are labelled.`),
    left ? button("again", "Look for cells still open", reload, true) : null,
    next ? button("next-batch", `Go on with ${next.site}, ${next.taken_on}: ${next.open} open`, () => goOnWith(next.id), true) : null,
    button("what-next", "Tally, and what to photograph next", openTally, !left && !next),
    left ? null : el("p", { className: "quiet" }, ...words("Stop `weedset label` with Ctrl+C in its terminal; there `weedset status` tells what comes next.")));
}

function drawSecondDone(reload, goHome) {
  const blind = session.way === "second";
  const nothing = blind && !queue.length;
  fill(byId("finish"),
    el("h2", {}, nothing ? "Nothing to label blindly yet" : blind ? "The blind sample is done" : "Nothing left to decide"),
    el("p", {}, nothing ? "Someone else has to label some cells first." : "See “Second look” for how well you agree."),
    button("to-own", "Back to labelling", goHome, true),
    queue.length ? button("again", "Look for cells still open", reload) : null);
}

/** Where a review list was given and another batch has cells of it, offer that batch. */
async function offerListed(goOnWith) {
  const listed = (await ask("start", {})).listed;
  const next = Object.keys(listed).find((id) => id !== session.batch);
  if (!next || current()) return;
  byId("finish").append(button("next-listed", `Go on with ${next}: ${listed[next]} listed`, () => goOnWith(next)));
}
