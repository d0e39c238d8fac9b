// Building the page: every text goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

/** Make an element; `props` are properties, or attributes where the name holds a dash. */
export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "dataset") Object.assign(node.dataset, value);
    else if (name.includes("-") || name === "role" || name === "for") node.setAttribute(name, value);
    else if (value !== undefined) node[name] = value;
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export const byId = (id) => document.getElementById(id);

/** Replace all children. */
export function fill(node, ...children) {
  node.replaceChildren(...children.filter((child) => child !== null && child !== undefined));
}

export function svg(tag, attributes, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.append(...children);
  return node;
}

const guards = new Map();  // by dialog: { unsaved, leave }

/** Have `leave` called instead of closing a dialog, as long as `unsaved` says so. */
export function guardSheet(id, unsaved, leave) {
  guards.set(id, { unsaved, leave });
}

/** Close a dialog as a person does who is done with it: by Esc, by its ✕, by a gesture. */
function leaveSheet(id) {
  if (guards.get(id)?.unsaved()) guards.get(id).leave();
  else closeSheet(id);
}

for (const dialog of document.querySelectorAll("dialog")) {
  dialog.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || event.isComposing) return;
    event.preventDefault();
    leaveSheet(dialog.id);
  });
  dialog.addEventListener("cancel", (event) => {
    event.preventDefault();
    leaveSheet(dialog.id);
  });
  // A browser may close a dialog without asking, as after two gestures back.
  dialog.addEventListener("close", () => {
    if (!guards.get(dialog.id)?.unsaved()) return;
    dialog.showModal();
    leaveSheet(dialog.id);
  });
}

window.addEventListener("beforeunload", (event) => {
  if ([...guards.values()].some((guard) => guard.unsaved())) event.preventDefault();
});

/** Fill a dialog with a title, a close button and `children`, and open it. */
export function openSheet(id, title, ...children) {
  const dialog = byId(id);
  guards.delete(id);
  const close = el("button", { type: "button", className: "plain close", onclick: () => leaveSheet(id), "aria-label": "Close" }, "✕");
  fill(dialog, el("div", {}, el("header", {}, el("h2", { id: `${id}-title` }, title), close), ...children));
  if (!dialog.open) dialog.showModal();
  return dialog;
}

/** Close a dialog, and take the focus off what lies in it, where keys would still reach it. */
export function closeSheet(id) {
  const dialog = byId(id);
  guards.delete(id);
  dialog.close();
  if (dialog.contains(document.activeElement)) document.activeElement.blur();
}

/** A text as nodes: what stands between ` ` is something to type. */
export function words(text) {
  return text.split("`").map((part, place) => (place % 2 ? el("code", {}, part) : part));
}

/** Tell the person something in the status line; screen readers hear it. */
export function tell(text) {
  byId("said").textContent = text;
}

let troubleTimer = 0;

/** Show what went wrong and what to do; `seconds` 0 keeps it until `calm`. */
export function trouble(what, fix = "", seconds = 8) {
  const box = byId("trouble");
  clearTimeout(troubleTimer);
  fill(box, el("b", {}, ...words(what)), fix ? el("p", {}, ...words(fix)) : null);
  box.hidden = false;
  tell("");  // what was said before is true no more
  if (seconds) troubleTimer = setTimeout(calm, seconds * 1000);
}

export function calm() {
  byId("trouble").hidden = true;
}
