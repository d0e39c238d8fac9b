// The search for a plant by code or by name in any language, with an example to compare.

import { closeSheet, el, fill, openSheet, words } from "./dom.js";
import { ask } from "./talk.js";
import { learn, session } from "./session.js";
import { atHand, plantName } from "./markers.js";

/** Ask for a plant; `onPick` gets its code. */
export function openPicker(onPick) {
  const { search, list, look } = plantSearch("plant-text", "found", (code) => {
    closeSheet("picker");
    onPick(code);
  });
  openSheet("picker", "Which plant?", el("div", { className: "field" },
    el("label", { for: "plant-text" }, "Name in any language, or EPPO code"), search), list,
  el("p", { className: "quiet" }, ...words("Not in the list? Mark it as an unknown plant, or give `weedset label` a list of your own (`--species`).")));
  search.focus();
  look();
}

/**
 * Make a field to search plants with and the list of what it finds. `look` searches for what
 * stands in the field; for nothing, it shows the plants at hand. Enter waits for the answer.
 */
export function plantSearch(id, listId, onPick) {
  const list = el("ul", { className: "found", role: "listbox", id: listId, "aria-label": "Plants found" });
  const search = el("input", {
    type: "text", id, autocomplete: "off", autocapitalize: "off", spellcheck: false, maxLength: 60, role: "combobox",
    "aria-expanded": "false", "aria-controls": listId, "aria-autocomplete": "list", enterKeyHint: "search",
    oninput: () => look(), onkeydown: (event) => walk(event),
  });
  let turn = 0;
  let answered = Promise.resolve();

  function look() {
    answered = find(search.value.trim(), ++turn);
    return answered;
  }

  async function find(text, mine) {
    let found;
    const near = new Set([...session.recent, ...atHand()]);
    if (text) {
      found = (await ask("species", { text })).species;
      found.sort((one, other) => Number(near.has(other.code)) - Number(near.has(one.code)));  // stable
    } else found = [...near].map((code) => session.known.get(code)).filter(Boolean);
    if (mine !== turn) return;
    learn(found);
    fill(list, ...found.map(option));
    list.classList.toggle("pictured", found.some((item) => item.example));
    if (!found.length) fill(list, el("li", { role: "presentation", className: "none" }, text ? "No plant of that name. Try another name, or the Latin one." : "Type a name."));
    search.setAttribute("aria-expanded", "true");
    mark(0);
  }

  const option = (item) => el("li", {
    role: "option", "aria-selected": "false", dataset: { code: item.code }, id: `${listId}-${item.code}`, onclick: () => onPick(item.code),
  }, item.example ? el("img", { src: item.example, alt: "" }) : el("span", { className: "blank" }),
  el("span", {}, item.names.join(", ") || plantName(item.code)), el("span", { className: "latin" }, item.scientific_name), el("span", { className: "code" }, item.code));

  const options = () => [...list.querySelectorAll("[role=option]")];
  const marked = () => options().findIndex((item) => item.getAttribute("aria-selected") === "true");

  function mark(place) {
    const all = options();
    const now = Math.min(Math.max(place, 0), all.length - 1);
    all.forEach((item, i) => item.setAttribute("aria-selected", String(i === now)));
    all[now]?.scrollIntoView({ block: "nearest" });
    search.setAttribute("aria-activedescendant", all[now]?.id ?? "");
  }

  function walk(event) {
    if (event.isComposing) return;
    if (event.key === "ArrowDown") mark(marked() + 1);
    else if (event.key === "ArrowUp") mark(marked() - 1);
    else if (event.key === "Enter" && !event.defaultPrevented) answered.then(() => options()[marked()]?.click());
    else return;
    event.preventDefault();
  }

  return { search, list, look };
}
