// The species picker: search by code or by name in any language, with an example to compare.

import { byId, closeSheet, el, fill, openSheet } from "./dom.js";
import { ask } from "./talk.js";
import { learn, session } from "./session.js";
import { atHand, plantName } from "./markers.js";

/** Ask for a plant; `onPick` gets its code. */
export function openPicker(onPick) {
  const list = el("ul", { className: "found", role: "listbox", id: "found", "aria-label": "Plants found" });
  const search = el("input", {
    type: "search", id: "plant-text", autocomplete: "off", maxLength: 60, role: "combobox",
    "aria-expanded": "true", "aria-controls": "found", "aria-autocomplete": "list",
    oninput: () => look(search.value, list, choose), onkeydown: (event) => walk(event, list, search),
  });
  const choose = (code) => {
    closeSheet("picker");
    onPick(code);
  };
  openSheet("picker", "Which plant?", el("div", { className: "field" },
    el("label", { for: "plant-text" }, "Name in any language, or EPPO code"), search), list,
  el("p", { className: "quiet" }, "Not in the list? Mark it as an unknown plant, or give `weedset label` a list of your own (--species)."));
  search.focus();
  look("", list, choose);
}

let turn = 0;

async function look(text, list, choose) {
  const mine = ++turn;
  let found;
  const near = new Set([...session.recent, ...atHand()]);
  if (text.trim()) {
    found = (await ask("species", { text: text.trim() })).species;
    found.sort((one, other) => Number(near.has(other.code)) - Number(near.has(one.code)));  // stable
  } else found = [...near].map((code) => session.known.get(code)).filter(Boolean);
  if (mine !== turn) return;
  learn(found);
  fill(list, ...found.map((item, place) => el("li", {
    role: "option", "aria-selected": String(place === 0), dataset: { code: item.code }, id: `found-${item.code}`, onclick: () => choose(item.code),
  }, item.example ? el("img", { src: item.example, alt: "" }) : el("span", { className: "blank" }),
  el("span", {}, item.names.join(", ") || plantName(item.code)), el("span", { className: "latin" }, item.scientific_name), el("span", { className: "code" }, item.code))));
  if (!found.length) fill(list, el("li", { role: "presentation" }, text.trim() ? "No plant of that name." : "Type a name."));
  mark(list, 0);
}

function mark(list, place) {
  const all = [...list.querySelectorAll("[role=option]")];
  const now = Math.min(Math.max(place, 0), all.length - 1);
  all.forEach((item, i) => item.setAttribute("aria-selected", String(i === now)));
  all[now]?.scrollIntoView({ block: "nearest" });
  byId("plant-text")?.setAttribute("aria-activedescendant", all[now]?.id ?? "");
}

function walk(event, list) {
  const all = [...list.querySelectorAll("[role=option]")];
  const now = all.findIndex((item) => item.getAttribute("aria-selected") === "true");
  if (event.key === "ArrowDown") mark(list, now + 1);
  else if (event.key === "ArrowUp") mark(list, now - 1);
  else if (event.key === "Enter") all[now]?.click();
  else return;
  event.preventDefault();
}
