// Saving labels, taking them back and doing them again. A label counts once it is on the disk.

import { calm, trouble } from "./dom.js";
import { askUntilAnswered, Refused } from "./talk.js";
import { learnCodes, session } from "./session.js";
import { lookAgain, renew } from "./queue.js";

const channel = new BroadcastChannel("weedset");
const steps = [];  // what was done: [{ id, before, after, number }] with the way it was done in
let done = 0;      // how many of `steps` stand; the rest can be done again
let busy = false;
let working = Promise.resolve();  // settled when the label under way is saved or refused

export const canUndo = () => done > 0;
export const canRedo = () => done < steps.length;
export const isBusy = () => busy;

/** Hear of cells that another window of this browser has labelled. */
export function onElsewhere(callback) {
  channel.onmessage = (event) => callback(event.data);
}

/**
 * Save statements about cells: `pairs` of [cell, statement]. Returns the cells as they stand,
 * or null where they were not saved (and the person has been told why).
 */
export async function save(pairs, accepted = false) {
  const items = pairs.map(([cell, statement]) => ({ id: cell.id, statement, expects: cell.mine }));
  const cells = await send(items, session.way, session.who, accepted);
  if (!cells) return null;
  const number = new Map(cells.map((cell) => [cell.id, cell.mine]));
  steps.length = done;
  steps.push({
    way: session.way, who: session.who, accepted,
    cells: pairs.map(([cell, statement]) => ({ id: cell.id, before: cell.said, after: statement, number: number.get(cell.id) })),
  });
  done += 1;
  return cells;
}

export const undo = () => turn(-1);
export const redo = () => turn(1);

async function turn(direction) {
  while (busy) await working;
  if (!(direction < 0 ? canUndo() : canRedo())) return null;
  const step = steps[direction < 0 ? done - 1 : done];
  const items = step.cells.map((cell) => ({
    id: cell.id, statement: direction < 0 ? cell.before : cell.after, expects: cell.number,
  }));
  const cells = await send(items, step.way, step.who, direction > 0 && step.accepted);
  if (!cells) return null;
  for (const cell of cells) step.cells.find((item) => item.id === cell.id).number = cell.mine;
  done += direction;
  return cells;
}

function send(items, way, who, accepted) {
  if (busy) return null;
  busy = true;
  working = sendAlone(items, way, who, accepted);
  return working;
}

async function sendAlone(items, way, who, accepted) {
  try {
    const answer = await askUntilAnswered("label", { who, way, items, accepted }, () => {
      trouble("Not saved yet: the computer does not answer.", "Keep this page open: it goes on trying. If `weedset label` was stopped, start it again.", 0);
    });
    calm();
    await learnCodes(answer.cells.flatMap((cell) => cell.stands?.statement?.present ?? []));
    renew(answer.cells);
    channel.postMessage(answer.cells.map((cell) => cell.id));
    return answer.cells;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.status === 409) {
      await lookAgain(error.tileIds);
      trouble("Someone labelled this meanwhile in another window.", "Nothing was overwritten. What stands now is shown; label again if it is wrong.");
    } else if (error.status === 401) {
      trouble("Not saved: this page is from an earlier start.", "Open the link that `weedset label` printed last. All labels that were saved are there.", 0);
    } else {
      trouble(`Not saved: ${error.message}.`, error.fix);
    }
    return null;
  } finally {
    busy = false;
  }
}
