// What the person has chosen, and what the workspace holds. Choices outlive a reload.

import { ask } from "./talk.js";

const KEPT = ["who", "batch", "order", "onlyOpen", "leastGreen", "view", "stage", "size", "radius", "listed", "given"];

export const session = {
  who: "", given: "", way: "own", batch: "", order: "bare last", onlyOpen: true, leastGreen: 0.005,
  view: "kneel", stage: null, size: 112, radius: 1, sample: 100, several: false, maybe: false,
  start: null, recent: [], known: new Map(),
  listed: {},  // by batch: the checklist in the order in which it was entered
};

const name = () => `weedset ${session.start?.workspace ?? ""}`;

export function keep() {
  try {
    localStorage.setItem(name(), JSON.stringify(Object.fromEntries(KEPT.map((key) => [key, session[key]]))));
  } catch { /* private window: choices last as long as the page */ }
}

/** Load what the workspace holds, and what was chosen last time. */
export async function begin(started) {
  session.start = started;
  let kept = {};
  try {
    kept = JSON.parse(localStorage.getItem(name()) ?? "{}");
  } catch { /* nothing kept */ }
  for (const key of KEPT) if (kept[key] !== undefined) session[key] = kept[key];
  // A name given with the command counts, until it is changed here.
  if (started.who && started.who !== session.given) session.who = started.who;
  session.given = started.who;
  if (session.who === started.unnamed) session.who = "";
  if (!session.start.orders.includes(session.order)) session.order = "bare last";
  const batches = session.start.batches;
  if (!batches.some((batch) => batch.id === session.batch)) {
    session.batch = (batches.find((batch) => batch.open) ?? batches[0])?.id ?? "";
  }
  for (const batch of batches) learn(batch.looked_for);
}

/** Who asks: cells can be looked at before anybody is named. */
export const asker = () => session.who || session.start.unnamed;

/** An annotator as a person is told: labels may have been taken in without a name. */
export const called = (who) => (who === session.start.unnamed ? "someone unnamed" : who);

/** The batch being labelled. */
export function batch() {
  return session.start.batches.find((item) => item.id === session.batch);
}

/** The codes of a batch's checklist, in the order in which they were entered in this browser. */
export function checklist(item) {
  const codes = (item?.looked_for ?? []).map((one) => one.code);
  const entered = (session.listed[item?.id] ?? []).filter((code) => codes.includes(code));
  return [...entered, ...codes.filter((code) => !entered.includes(code))];
}

/** Take in the names of species. */
export function learn(species) {
  for (const item of species) session.known.set(item.code, { ...session.known.get(item.code), ...item });
}

/** Learn the names of codes that a label holds and that are not known yet. */
export async function learnCodes(codes) {
  const missing = [...new Set(codes)].filter((code) => !session.known.has(code));
  if (missing.length) learn((await ask("species", { codes: missing.slice(0, 200) })).species);
}
