// The other sheets: order of labelling, tally, second look, help.

import { byId, closeSheet, el, openSheet } from "./dom.js";
import { ask } from "./talk.js";
import { keep, learn, session } from "./session.js";
import { glyph, plantName } from "./markers.js";

const ORDERS = {
  "bare last": ["Green cells first", "Cells with hardly any green come last, to be swept off in one stroke."],
  photo: ["As they lie", "Photo by photo, row by row."],
  unsure: ["What the model is unsure of", "Your labels teach it most there."],
  varied: ["As varied as can be", "Always the cell that looks least like those before: a good start for a model."],
  "look-alikes": ["Look-alikes together", "Best seen standing back: mark whole sheets alike."],
};

export function openOrder(onChange) {
  const greens = el("input", { type: "number", id: "least-green", min: 0, max: 20, step: 0.1, value: (session.leastGreen * 100).toFixed(1) });
  const all = el("input", { type: "checkbox", id: "show-all", checked: !session.onlyOpen });
  const choice = (order) => el("div", { className: "choice" }, el("input", { type: "radio", name: "order", id: `order-${order}`, value: order, checked: order === session.order }),
    el("label", { for: `order-${order}` }, ORDERS[order][0], el("small", {}, ORDERS[order][1])));
  const form = el("form", {
    onsubmit: (event) => {
      event.preventDefault();
      session.order = document.querySelector("input[name=order]:checked")?.value ?? session.order;
      session.leastGreen = Math.min(0.2, Math.max(0, Number(greens.value) / 100));
      session.onlyOpen = !all.checked;
      keep();
      closeSheet("walk");
      onChange();
    },
  },
  el("fieldset", {}, el("legend", {}, "In which order?"), ...session.start.orders.map(choice)),
  el("div", { className: "field short" }, el("label", { for: "least-green" }, "Hardly any green means less than (% of the cell)"), greens),
  el("div", { className: "choice" }, all, el("label", { for: "show-all" }, "Show labelled cells too", el("small", {}, "To look through what you did."))),
  el("button", { className: "main" }, "Go on in this order"));
  openSheet("walk", "Order of the cells", form);
}

/** Ask before `rest` is swept off as bare: all of it, or only the `dull` ones, hardly green. */
export function askSweep(rest, dull, onSweep) {
  const unseen = rest.some((cell) => cell.green === null) ? " or not looked at yet" : "";
  const green = rest.length - dull.length;
  const button = (id, words, cells, className = "") => el("button", {
    type: "button", id, className, onclick: () => { closeSheet("sweeping"); if (cells.length) onSweep(cells); },
  }, words);
  openSheet("sweeping", `${green === rest.length ? "All" : `${green} of`} these ${rest.length} ${green === 1 ? "is" : "are"} green${unseen}: sweep them?`,
    el("p", {}, "Sweeping says of each that nothing grows in it."),
    el("div", { className: "choices" },
      dull.length ? button("sweep-dull", `Only the ${dull.length} with hardly any green`, dull, "main") : null,
      button("sweep-none", "None: look at them first", []),
      button("sweep-all", `All ${rest.length} are bare`, rest)));
  byId(dull.length ? "sweep-dull" : "sweep-none").focus();
}

/** Ask for the growth stage that goes with every plant marked from now on. */
export function openStage(onPick) {
  const choose = (stage) => {
    closeSheet("stage");
    onPick(stage);
  };
  const button = (stage, key, text) => el("button", { type: "button", "aria-pressed": String(session.stage === stage), onclick: () => choose(stage) }, el("kbd", {}, key), ` ${text}`);
  const dialog = openSheet("stage", "Growth stage", el("div", { className: "choices" },
    el("p", { className: "quiet" }, "It goes with every plant you mark until you change it (BBCH principal growth stage)."),
    ...session.start.stages.map((text, stage) => button(stage, String(stage), text)), button(null, "-", "do not note it")));
  // Heard before anything else, wherever the focus is: here a digit names a stage, not a marker.
  const listen = (event) => {
    if (!/^[0-9-]$/.test(event.key)) return;
    event.stopPropagation();
    choose(event.key === "-" ? null : Number(event.key));
  };
  document.addEventListener("keydown", listen, true);
  dialog.addEventListener("close", () => document.removeEventListener("keydown", listen, true), { once: true });
  dialog.querySelector(".choices button").focus();
}

export async function openTally() {
  const found = await ask("progress", session.batch ? { batch: session.batch } : {});
  learn(found.species);
  const share = (count) => `${((100 * count) / Math.max(1, found.tiles)).toFixed(1)}%`;
  const bar = (kind, count) => {
    const part = el("div", { className: kind });
    part.style.width = share(count);
    return part;
  };
  const legend = (kind, words, count) => el("span", {}, el("i", { className: kind }), `${words}: ${count}`);
  const rows = found.species.map((item) => el("tr", {}, el("td", {}, glyph(item.code)), el("td", {}, plantName(item.code), " ", el("span", { className: "quiet" }, item.code)),
    el("td", { className: "number" }, String(item.cells)), el("td", { className: "number" }, String(item.sites)),
    el("td", {}, item.stages.join(", ") || "–"), el("td", {}, item.wanted.join("; ") || "enough for a start")));
  for (const svg of rows.map((row) => row.querySelector("svg"))) svg.setAttribute("width", "20");
  openSheet("progress", "Tally",
    el("p", {}, `${found.tiles - found.open} of ${found.tiles} cells of this batch are labelled.`),
    el("div", { className: "bars", role: "img", "aria-label": `${found.plants} with plants, ${found.bare} bare, ${found.cannot_tell} cannot tell, ${found.open} open` }, bar("plants", found.plants), bar("bare", found.bare), bar("tell", found.cannot_tell)),
    el("div", { className: "key" }, legend("plants", "plants", found.plants), legend("bare", "bare", found.bare), legend("tell", "cannot tell", found.cannot_tell), legend("", "open", found.open)),
    el("h3", {}, "What was found, and what to photograph next"),
    el("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "Species" }, el("table", {}, el("thead", {}, el("tr", {}, el("th", {}, el("span", { className: "quiet" }, "Mark")), el("th", {}, "Plant"), el("th", { className: "number" }, "Cells"), el("th", { className: "number" }, "Sites"), el("th", {}, "Stages"), el("th", {}, "Photograph next"))), el("tbody", {}, ...rows))),
    found.looked_at < found.tiles ? el("p", { className: "quiet" }, `Still looking at the tiles: ${found.looked_at} of ${found.tiles}. Orders by greenness and likeness become complete with it.`) : null,
    found.background ? el("p", { className: "missing" }, `Looking at the tiles stopped: ${found.background}`) : null);
}

const figure = (value) => (value === null ? "–" : value.toFixed(2));

export async function openSecond(onStart) {
  const rows = (await ask("agreement", session.batch ? { batch: session.batch } : {})).rows;
  const who = el("input", { id: "second-who", maxLength: 40, required: true, autocomplete: "off" });
  const count = el("input", { id: "second-count", type: "number", min: 10, max: 2000, value: session.sample });
  const blind = el("form", {
    onsubmit: (event) => {
      event.preventDefault();
      closeSheet("second");
      onStart("second", who.value.trim(), Number(count.value));
    },
  },
  el("div", { className: "part" }, el("h3", {}, "Someone else labels, blind"),
    el("p", { className: "quiet" }, "A random sample of labelled cells, without showing how they were labelled.")),
  el("div", { className: "pair" }, el("div", { className: "field" }, el("label", { for: "second-who" }, "Name of the second person"), who), el("div", { className: "field" }, el("label", { for: "second-count" }, "How many cells"), count)),
  el("button", { className: "main", id: "start-second" }, "Begin the blind sample"));
  const table = rows.length
    ? el("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "Agreement" }, el("table", { id: "agreement" }, el("thead", {}, el("tr", {}, ...["Of", "Cells", "Same", "Kappa", "95 % interval"].map((words) => el("th", {}, words)))),
      el("tbody", {}, ...rows.map((row) => el("tr", {}, el("td", {}, row.code === "bare" ? "no plant" : `${plantName(row.code)} (${row.code})`), el("td", {}, String(row.cells)), el("td", {}, String(row.same)), el("td", {}, figure(row.kappa)), el("td", {}, row.low === null ? "–" : `${figure(row.low)} to ${figure(row.high)}`))))))
    : el("p", { className: "quiet" }, "No cell was labelled by two people yet.");
  openSheet("second", "Second look", blind,
    el("div", { className: "part" }, el("h3", {}, "How well you agree"), el("p", { className: "quiet" }, "Cohen's kappa: 1 is full agreement, 0 is what chance would give. Neighbouring cells are alike, so the true interval is somewhat wider."), table),
    el("div", { className: "part" }, el("h3", {}, "Labels worth another look"), el("p", { className: "quiet" }, "Where two people differ, where look-alikes are labelled otherwise, or where a model contradicts that never learned from the cell. What you decide stands; what was said before is kept."),
      el("button", { type: "button", id: "start-review", onclick: () => { closeSheet("second"); onStart("review", session.who, session.sample); } }, "Review them")));
}

const KEYS = [
  ["Mark", [
    ["1–9", "that marker; in the close view the next cell follows"], ["0", "no plant: bare"], ["u", "an unknown plant"],
    ["c", "cannot tell"], ["m", "several plants: press their markers, then Enter"], ["q", "maybe: the next marker counts neither way"], ["p", "any other plant, by name"],
    ["g", "growth stage, then its digit"], ["Enter", "accept the suggestion"],
  ]],
  ["Move", [
    ["← →", "cell before, next cell"], ["v", "kneel down, stand back"], ["w", "wider or closer surroundings"],
    ["z", "take back"], ["y", "do again"], ["?", "this help"],
  ]],
  ["Standing back", [
    ["arrows", "move over the cells"], ["Space", "pick the cell"], ["a", "pick all that are open"],
    ["r", "all open cells not picked are bare; asks where some are green"], ["n / b", "next sheet, sheet before"], ["s", "accept all sure suggestions"], ["Esc", "let go of what is picked"],
  ]],
];

export function openHelp() {
  const part = ([title, keys]) => el("section", {}, el("h3", {}, title), el("dl", { className: "keys" }, ...keys.flatMap(([key, words]) => [el("dt", {}, el("kbd", {}, key)), el("dd", {}, words)])));
  openSheet("help", "Help",
    el("p", {}, "Say what grows in each cell. Each label is on the disk before the next cell shows; anything can be taken back. By touch: tap a marker. Standing back, tap cells and then a marker, or draw a finger sideways over cells; or tap a marker first and then each cell it belongs to."),
    el("div", { className: "columns" }, ...KEYS.map(part)),
    el("h3", {}, "What counts"),
    el("p", {}, "A plant belongs to a cell where a leaf or stem of it lies in the frame, wherever its root is. Not sure which plant: “unknown plant”. Not sure whether there is one (blurred, dark): “cannot tell”. Silence about a plant on the checklist says that it is absent."));
}
