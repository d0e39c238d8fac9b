// The batch form: what is true of all photos of one site on one day.

import { byId, closeSheet, el, fill, openSheet, tell } from "./dom.js";
import { ask, Refused } from "./talk.js";
import { checklist, keep, learn, session } from "./session.js";
import { openPicker } from "./picker.js";

/** Show the form of the batch in work. `onSaved` hears when something changed. */
export function openBatch(onSaved) {
  const batches = session.start.batches;
  const batch = batches.find((item) => item.id === session.batch) ?? batches[0];
  const wanted = checklist(batch);
  const failure = el("p", { className: "missing", role: "alert", hidden: true });
  const list = el("ul", { className: "list", id: "checklist" });
  const draw = () => fill(list, ...wanted.map((code) => el("li", {}, el("button", {
    type: "button", "aria-label": `Take ${code} off the checklist`,
    onclick: () => { wanted.splice(wanted.indexOf(code), 1); draw(); },
  }, `${session.known.get(code)?.names[0] ?? code} (${code}) ✕`))), el("li", {}, el("button", {
    type: "button", id: "add-looked-for",
    onclick: () => openPicker((code) => { if (!wanted.includes(code)) wanted.push(code); draw(); byId("add-looked-for").focus(); }),
  }, "Add a plant…")));
  draw();
  const text = (id, words, value, more = {}) => el("div", { className: "field" }, el("label", { for: id }, words), el("input", { id, value, ...more }));
  const form = el("form", {
    onsubmit: (event) => { event.preventDefault(); save(batch, wanted, failure, onSaved); },
  },
  chooser(batches, batch, onSaved), missing(batch),
  el("div", { className: "pair" }, text("site", "Garden or field", batch.site, { maxLength: 60, required: true }), text("taken-on", "Day of the photos", batch.taken_on, { type: "date", required: true, max: today() })),
  el("fieldset", {}, el("legend", {}, "Which plants did you look for?"),
    el("p", { className: "quiet" }, "Where you do not name one of these in a cell, it counts as absent. Of all other plants nothing is concluded. A plant added later counts from then on."), list),
  el("fieldset", {}, el("legend", {}, "What may others do with these photos?"), ...session.start.licences.map((item) => licence(item, batch)), licence({ id: "", words: "I have not decided yet." }, batch)),
  el("div", { className: "pair" }, text("giver", "Whose photos are these? (a handle will do)", batch.giver, { maxLength: 80 }), text("who", "Who is labelling now?", session.who, { maxLength: 40, required: true })),
  el("p", { className: "quiet" }, `${batch.photos} photos, ${batch.tiles} cells of ${session.start.cell_mm} mm. Camera: ${batch.cameras.join(", ")} (from its profile when the photos were cut).`),
  failure, el("button", { className: "main", id: "save-batch" }, "Save"));
  openSheet("batch", "About this batch", form);
  if (!wanted.length) byId("add-looked-for").focus();
}

function chooser(batches, batch, onSaved) {
  if (batches.length < 2) return null;
  const select = el("select", { id: "which-batch", onchange: () => { session.batch = select.value; keep(); openBatch(onSaved); onSaved(true); } },
    ...batches.map((item) => el("option", { value: item.id, selected: item === batch }, `${item.site}, ${item.taken_on} (${item.open} open)`)));
  return el("div", { className: "field" }, el("label", { for: "which-batch" }, "Batch"), select);
}

/** Today, as the clock on the wall has it. */
function today() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

function missing(batch) {
  if (!batch.missing.length) return el("p", {}, "✓ Nothing is missing: this batch can be packed once it is labelled.");
  return el("div", { className: "missing" }, el("b", {}, "Still missing before this batch can be packed:"), el("ul", {}, ...batch.missing.map((words) => el("li", {}, words))));
}

function licence(item, batch) {
  const id = `licence-${item.id || "none"}`;
  return el("div", { className: "choice" }, el("input", { type: "radio", name: "licence", id, value: item.id, checked: item.id === batch.licence }),
    el("label", { for: id }, item.words, item.id ? el("small", {}, item.id) : null));
}

async function save(batch, wanted, failure, onSaved) {
  const chosen = document.querySelector("input[name=licence]:checked")?.value;
  const body = { batch: batch.id, site: byId("site").value, taken_on: byId("taken-on").value, looked_for: wanted };
  if (byId("giver").value.trim()) body.giver = byId("giver").value;
  if (chosen) body.licence = chosen;
  try {
    const fresh = (await ask("batch", body)).batch;
    const batches = session.start.batches;
    batches.splice(batches.findIndex((item) => item.id === batch.id), 1, fresh);
    const other = byId("who").value.trim() !== session.who;
    Object.assign(session, { batch: fresh.id, who: byId("who").value.trim() || session.who });
    session.listed = { ...session.listed, [fresh.id]: [...wanted] };
    learn(fresh.looked_for);
    keep();
    closeSheet("batch");
    const lacks = fresh.missing.map((words) => words.split(":")[0]);
    tell(lacks.length ? `Saved. Still missing: ${lacks.join(", ")}.` : "Saved. Nothing is missing.");
    onSaved(other || fresh.id !== batch.id);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    failure.hidden = false;
    failure.textContent = `Not saved. ${error.message}. ${error.fix}`;
    failure.scrollIntoView({ block: "nearest" });
  }
}
