// The markers: one stick per plant, told apart by shape, name and code before colour.

import { el, fill, byId, svg } from "./dom.js";
import { batch, checklist, session } from "./session.js";

// Far apart also for people who see no red or no green, and dark enough to show on white.
const COLOURS = ["#317ee9", "#812906", "#2b9b6f", "#4b07ec", "#d56d07", "#052b57", "#4a8eae", "#3b050c", "#1d0087"];
const SHAPES = [
  svg("circle", { cx: 12, cy: 12, r: 9 }),
  svg("path", { d: "M12 2.5 22 20.5H2Z" }),
  svg("rect", { x: 3.5, y: 3.5, width: 17, height: 17 }),
  svg("path", { d: "M12 1.5 21.5 12 12 22.5 2.5 12Z" }),
  svg("path", { d: "M9 2h6v7h7v6h-7v7H9v-7H2V9h7Z" }),
  svg("path", { d: "M7 3h10l5 9-5 9H7l-5-9Z" }),
  svg("path", { d: "M12 1.5c5 7 7 9.5 7 13a7 7 0 0 1-14 0c0-3.5 2-6 7-13Z" }),
  svg("path", { d: "M15 2a10 10 0 1 0 0 20A12 12 0 0 1 15 2Z" }),
  svg("path", { d: "M2 3h20L12 21.5Z" }),
];
const WORDS = {
  bare: [svg("ellipse", { cx: 12, cy: 15, rx: 9.5, ry: 4.5, fill: "none", stroke: "currentColor", "stroke-width": 2.6 })],
  unknown: [
    svg("path", { d: "M12 22V12M12 13C12 6 8 4.5 3.5 4.5 3.5 10 7 13 12 13ZM12 15c0-5 4-7 8.5-7 0 4.5-3.5 7-8.5 7Z", fill: "none", stroke: "currentColor", "stroke-width": 2, "stroke-dasharray": "3 2" }),
  ],
  tell: [svg("path", { d: "M2 9c4-5 6 5 10 0s6 5 10 0M2 16c4-5 6 5 10 0s6 5 10 0", fill: "none", stroke: "currentColor", "stroke-width": 2.4 })],
};

/** The markers at hand: the batch's checklist first, then what was used lately. */
export function atHand() {
  const listed = checklist(batch());
  return [...listed, ...session.recent.filter((code) => !listed.includes(code))];
}

const slot = (code) => {
  const place = atHand().indexOf(code);
  return place >= 0 ? place : [...code].reduce((sum, letter) => sum + letter.charCodeAt(0), 0);
};

export const colour = (code) => COLOURS[slot(code) % COLOURS.length];

export function glyph(what) {
  const word = WORDS[what];
  const shape = word ?? [SHAPES[slot(what) % SHAPES.length]];
  const node = svg("svg", { viewBox: "0 0 24 24", class: "glyph", "aria-hidden": "true" }, ...shape.map((part) => part.cloneNode(true)));
  if (!word) node.setAttribute("fill", colour(what));
  return node;
}

export function plantName(code) {
  const item = session.known.get(code);
  return item?.names[0] || item?.scientific_name || code;
}

/** A statement in words. */
export function inWords(statement) {
  if (!statement) return "not labelled";
  if (statement.verdict === "bare") return "no plant";
  if (statement.verdict === "cannot tell") return "cannot tell";
  const stage = (code) => (code in statement.stages ? `, stage ${statement.stages[code]}` : "");
  const plants = statement.present.map((code) => plantName(code) + stage(code));
  const maybe = statement.doubtful.map((code) => `maybe ${plantName(code)}`);
  return [...plants, ...maybe, ...(statement.unknown_plant ? ["unknown plant"] : [])].join(" + ");
}

/** A statement as a small tag to put on a picture. */
export function chip(statement, { short = false, guess = "" } = {}) {
  const plants = statement.verdict === "plants";
  const glyphs = plants
    ? [...[...statement.present, ...statement.doubtful].map(glyph), ...(statement.unknown_plant ? [glyph("unknown")] : [])]
    : [glyph(statement.verdict === "bare" ? "bare" : "tell")];
  const codes = [...statement.present, ...statement.doubtful.map((code) => `${code}?`), ...(statement.unknown_plant ? ["?"] : [])].join(" ");
  const words = short ? (plants ? codes : statement.verdict === "bare" ? "bare" : "~") : inWords(statement);
  return el("span", { className: guess ? "chip guess" : "chip" }, ...glyphs, el("span", {}, guess + words));
}

export const bare = () => ({ verdict: "bare", present: [], doubtful: [], unknown_plant: false, stages: {} });
export const cannotTell = () => ({ ...bare(), verdict: "cannot tell" });

/** A statement that a plant may be there, or may not: neither counts. */
export const maybe = (code) => ({ ...bare(), verdict: "plants", doubtful: [code] });

/** A statement that names plants; the stage that is set goes with each of them. */
export function plants(codes, unknown = false) {
  const stages = session.stage === null ? {} : Object.fromEntries(codes.map((code) => [code, session.stage]));
  return { verdict: "plants", present: [...codes], doubtful: [], unknown_plant: unknown, stages };
}

let drawn = "";

/** Let the last plants in sight fade where more are below them. */
function cue() {
  const box = byId("markers");
  box.classList.toggle("more", box.scrollTop + box.clientHeight < box.scrollHeight - 6);
}
byId("markers").addEventListener("scroll", cue, { passive: true });
new ResizeObserver(cue).observe(byId("markers"));

/** Draw the rack where it has changed. `pressed` says what is pressed: codes, "bare", "unknown", "tell". */
export function drawRack({ pressed, held, onMarker, onAnswer, onMore, onSeveral, onMaybe, onStage, onBegin }) {
  const codes = atHand();
  const now = JSON.stringify([codes.map((code) => session.known.get(code)), [...pressed], held, session.several, session.maybe, session.stage]);
  if (now === drawn) return;
  drawn = now;
  const sticks = codes.map((code, place) => {
    const item = session.known.get(code);
    const button = el("button", {
      type: "button", className: code === held ? "marker held" : "marker", dataset: { code },
      "aria-pressed": String(pressed.has(code)), onclick: () => onMarker(code),
    }, el("span", { className: "plate" }, glyph(code)), el("span", { className: "name" }, plantName(code)),
    el("span", { className: "latin" }, item?.scientific_name || code));
    if (item?.example) button.append(el("img", { className: "thumb", src: item.example, alt: "", loading: "lazy" }));
    if (place < 9) button.append(el("kbd", {}, String(place + 1)));
    button.style.setProperty("--stick", colour(code));
    return button;
  });
  fill(byId("markers"), ...(sticks.length ? sticks : [el("button", { type: "button", className: "main", id: "name-plants", onclick: onBegin }, "Say which plants you look for")]));
  byId("markers").classList.toggle("many", sticks.length > 5);
  cue();
  const extra = (id, words, key, action, more = {}) => el("button", { type: "button", id, onclick: action, ...more }, `${words} `, el("kbd", {}, key));
  fill(byId("extras"),
    extra("open-picker", "Another plant…", "p", onMore),
    session.several ? extra("several", "Save these", "Enter", onSeveral, { className: "main" }) : extra("several", "Several plants", "m", onSeveral),
    extra("maybe", session.maybe ? "Maybe: which plant?" : "Maybe…", "q", onMaybe, { "aria-pressed": String(session.maybe) }),
    extra("open-stage", session.stage === null ? "Growth stage…" : `Stage ${session.stage}: ${session.start.stages[session.stage]}`, "g", onStage));
  const answer = (what, words, key) => el("button", { type: "button", dataset: { answer: what }, "aria-pressed": String(pressed.has(what)), onclick: () => onAnswer(what) }, glyph(what), el("span", {}, words), el("kbd", {}, key));
  fill(byId("answers"), answer("bare", "No plant: bare", "0"), answer("unknown", "Unknown plant", "u"), answer("tell", "Cannot tell", "c"));
}
