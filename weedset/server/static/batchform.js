// The batch form: what is true of all photos of one site on one day. It is the first thing that
// is asked, and nothing that was typed into it is lost without a word.

import { byId, closeSheet, el, fill, guardSheet, openSheet, tell, words } from "./dom.js";
import { ask, Refused } from "./talk.js";
import { checklist, keep, learn, session } from "./session.js";
import { plantName } from "./markers.js";
import { plantSearch } from "./picker.js";

/** Whether something is still to be said before a label can be taken. */
export const lacks = (batch) => (!batch?.looked_for.length ? "plants" : session.who ? "" : "who");

/** Show the form of the batch in work. `onSaved` hears when something changed. */
export function openBatch(onSaved) {
  const batches = session.start.batches;
  const batch = batches.find((item) => item.id === session.batch) ?? batches[0];
  const first = lacks(batch);
  const wanted = checklist(batch);
  const others = batches.filter((item) => item !== batch && item.looked_for.length);
  const plants = plantField(wanted, others.sort((one, other) => other.taken_on.localeCompare(one.taken_on))[0]);
  const form = el("form", { noValidate: true, onsubmit: (event) => { event.preventDefault(); save(); } },
    chooser(batches, batch, (id) => leave(() => { session.batch = id; keep(); openBatch(onSaved); onSaved(true); })),
    first ? el("p", {}, `Your photos are cut into squares of ${session.start.cell_mm} mm of ground. Say of one after another what grows in it; each answer is saved at once. Two questions first.`) : null,
    plants.field,
    field("who", "Who is labelling?", session.who || session.start.last_who, { maxLength: 40, autocomplete: "nickname", enterKeyHint: "done" }, "A first name or a handle. It goes with each label."),
    el("details", { open: !first }, el("summary", {}, el("b", {}, "Place, day and licence"), el("span", { className: "quiet" }, first ? "They can wait until you give photos away." : "Needed before you give photos away.")), ...rest(batch)),
    el("div", { className: "foot-of-form", id: "batch-foot" }));
  openSheet("batch", first ? "Before the first cell" : "About this batch", form);
  const written = () => JSON.stringify([wanted, plants.search.value.trim(), ...["who", "site", "taken-on", "giver"].map((id) => byId(id).value.trim()), chosenLicence()]);
  const before = written();
  const changed = () => written() !== before;
  const drawFoot = (...parts) => fill(byId("batch-foot"), el("p", { id: "batch-failure", className: "missing", role: "alert", hidden: true }), el("div", { className: "buttons" }, ...parts));
  const button = (id, label, onclick, className = "") => el("button", { type: "button", id, className, onclick }, label);
  const showSave = () => drawFoot(el("button", { className: "main", id: "save-batch" }, first ? "Begin" : "Save"));

  /** Go where `then` leads, unless something is not saved yet: then ask. */
  function leave(then) {
    if (!changed()) {
      then();
      return;
    }
    if (byId("go-on")) {  // asked already, and not answered: back to the form
      byId("go-on").click();
      return;
    }
    const at = document.activeElement;
    drawFoot(button("keep-changes", "Save", () => save(then), "main"), button("throw-away", "Throw away", then),
      button("go-on", "Go on filling in", () => { showSave(); at.focus(); }));
    fail("Not saved yet. What you changed here is lost if you throw it away.");
    byId("keep-changes").focus();
  }

  async function save(then = () => {}) {
    const unchosen = plants.search.value.trim();
    const name = byId("who").value.trim();
    if (unchosen) fail(`“${unchosen}” is not on the list yet: choose a plant below it, or empty the field.`, plants.search);
    else if (name.toLowerCase() === session.start.unnamed) fail(`“${name}” names nobody: a first name or a handle does.`, byId("who"));
    else await send(name, then);
  }

  async function send(name, then) {
    const body = { batch: batch.id, site: byId("site").value, taken_on: byId("taken-on").value, looked_for: wanted };
    if (byId("giver").value.trim()) body.giver = byId("giver").value;
    if (chosenLicence()) body.licence = chosenLicence();
    try {
      const fresh = (await ask("batch", body)).batch;
      batches.splice(batches.findIndex((item) => item.id === batch.id), 1, fresh);
      const other = name !== session.who || fresh.id !== batch.id;
      Object.assign(session, { batch: fresh.id, who: name });
      session.listed = { ...session.listed, [fresh.id]: [...wanted] };
      learn(fresh.looked_for);
      keep();
      closeSheet("batch");
      const missing = [...fresh.missing.map((item) => item.split(":")[0]), ...(name ? [] : ["who is labelling"])];
      if (first && !lacks(fresh)) tell("Saved.");
      else tell(missing.length ? `Saved. Still missing: ${missing.join(", ")}.` : "Saved. Nothing is missing.");
      onSaved(other);
      then();
    } catch (error) {
      if (error instanceof Refused) fail(`Not saved. ${error.message}. ${error.fix}`);
      else fail("Not saved: the computer does not answer. Is `weedset label` still running?");
    }
  }

  function fail(text, at = null) {
    const failure = byId("batch-failure");
    failure.hidden = false;
    fill(failure, ...words(text));
    at?.focus();
    failure.scrollIntoView({ block: "nearest" });
  }

  showSave();
  guardSheet("batch", changed, () => leave(() => closeSheet("batch")));
  if (first) (first === "plants" ? plants.search : byId("who")).focus();
}

/** The checklist, as tags, and a field to add to it; that of the newest other batch is offered. */
function plantField(wanted, other) {
  const list = el("ul", { className: "list", id: "checklist", "aria-label": "Plants you look for", "aria-live": "polite" });
  const same = other && el("button", {
    type: "button", id: "same-plants",
    onclick: () => { wanted.push(...checklist(other)); draw(); search.focus(); },
  }, `The same as in ${other.site}, ${other.taken_on}: ${checklist(other).map(plantName).join(", ")}`);
  const draw = () => {
    list.hidden = !wanted.length;
    if (same) same.hidden = wanted.length > 0;
    fill(list, ...wanted.map((code, place) => el("li", {}, place < 9 ? el("kbd", {}, String(place + 1)) : null, el("span", {}, plantName(code)), el("button", {
      type: "button", className: "plain", "aria-label": `Take ${plantName(code)} (${code}) off the checklist`,
      onclick: () => { wanted.splice(wanted.indexOf(code), 1); draw(); search.focus(); },
    }, "✕"))));
  };
  const { search, list: found, look } = plantSearch("look-for", "look-found", (code) => {
    if (!wanted.includes(code)) wanted.push(code);
    search.value = "";
    show();
    draw();
    search.focus();
  });
  const show = () => {
    found.hidden = !search.value.trim();
    search.setAttribute("aria-expanded", String(!found.hidden));
  };
  found.hidden = true;
  search.placeholder = "such as carrot, fat hen, CHEAL";
  search.addEventListener("input", () => look().then(show));
  search.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || search.value.trim()) return;
    event.preventDefault();
    if (byId("who").value.trim()) byId("save-batch")?.focus();
    else byId("who").focus();
  }, true);
  draw();
  return {
    search,
    field: el("div", { className: "field" }, el("label", { for: "look-for" }, "Which plants do you look for?"),
      el("p", { className: "quiet", id: "look-for-hint" }, "Crops and weeds. Where you do not name one of these in a cell, it counts as absent; of all other plants nothing is concluded. You can add more at any time."),
      el("div", { className: "over" }, search, found), list, same),
  };
}

/** Where, when, under which licence and by whom: needed only to give photos away. */
function rest(batch) {
  const giver = field("giver", "Whose photos are these?", batch.giver, { maxLength: 80 }, "A handle will do.");
  const mine = el("button", { type: "button", id: "mine", onclick: () => { byId("giver").value = byId("who").value.trim(); byId("giver").focus(); } }, "They are mine");
  giver.append(mine);
  return [
    batch.missing.length
      ? el("div", { className: "missing" }, el("b", {}, "Still missing before this batch can be packed:"), el("ul", {}, ...batch.missing.map((item) => el("li", {}, item))))
      : el("p", {}, "✓ Nothing is missing: this batch can be packed once it is labelled."),
    el("div", { className: "pair" }, field("site", "Garden or field", batch.site, { maxLength: 60 }), field("taken-on", "Day of the photos", batch.taken_on, { type: "date", max: today() })),
    giver,
    el("fieldset", {}, el("legend", {}, "What may others do with these photos?"), ...session.start.licences.map((item) => licence(item, batch)), licence({ id: "", words: "I have not decided yet." }, batch)),
    el("p", { className: "quiet" }, `${batch.photos} photos, ${batch.tiles} cells. Camera: ${batch.cameras.join(", ")} (from its profile when the photos were cut).`),
  ];
}

function field(id, name, value, more = {}, hint = "") {
  const note = hint ? el("p", { className: "quiet", id: `${id}-hint` }, hint) : null;
  return el("div", { className: "field" }, el("label", { for: id }, name), note, el("input", { id, value, ...more, ...(hint ? { "aria-describedby": `${id}-hint` } : {}) }));
}

function chooser(batches, batch, go) {
  if (batches.length < 2) return null;
  const select = el("select", { id: "which-batch", onchange: () => { const id = select.value; select.value = batch.id; go(id); } },
    ...batches.map((item) => el("option", { value: item.id, selected: item === batch }, `${item.site}, ${item.taken_on} (${item.open} open)`)));
  return el("div", { className: "field" }, el("label", { for: "which-batch" }, "Batch"), select);
}

/** Today, as the clock on the wall has it. */
function today() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

const chosenLicence = () => document.querySelector("input[name=licence]:checked")?.value ?? "";

function licence(item, batch) {
  const id = `licence-${item.id || "none"}`;
  return el("div", { className: "choice" }, el("input", { type: "radio", name: "licence", id, value: item.id, checked: item.id === batch.licence }),
    el("label", { for: id }, item.words, item.id ? el("small", {}, item.id) : null));
}
