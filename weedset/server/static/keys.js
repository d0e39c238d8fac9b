// The keys: one letter each, none of them needed where there is a finger or a mouse.

/** Listen for keys and pass them on to `actions`. */
export function watchKeys(actions) {
  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]") || event.altKey) return;
    const typing = event.target.matches("input, select, textarea");
    if (typing && event.key !== "Escape") return;
    if (event.ctrlKey || event.metaKey) {
      if (event.key.toLowerCase() === "z") take(event, event.shiftKey ? actions.redo : actions.undo);
      return;
    }
    const action = event.repeat && !event.key.startsWith("Arrow") ? null : choose(event, actions);
    if (action) take(event, action);
  });
}

function take(event, action) {
  event.preventDefault();
  action();
}

function choose(event, actions) {
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (/^[1-9]$/.test(key)) return () => actions.marker(Number(key));
  if (actions.standing()) {
    const found = onSheet(key, event, actions);
    if (found) return found;
  }
  // Enter and Space on a button press that button.
  if ((key === "Enter" || key === " ") && event.target.closest("button, summary, a")) return null;
  return {
    0: () => actions.answer("bare"), u: () => actions.answer("unknown"), c: () => actions.answer("tell"),
    m: actions.several, q: actions.maybe, p: actions.picker, Enter: actions.enter, g: actions.stage,
    ArrowLeft: actions.before, ArrowRight: actions.next, v: actions.view, w: actions.wider,
    z: actions.undo, y: actions.redo, "?": actions.help, Escape: actions.letGo,
  }[key] ?? null;
}

function onSheet(key, event, actions) {
  const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  if (key in moves) return () => actions.move(...moves[key]);
  return {
    a: actions.sheet.onAll, r: actions.sheet.onRest, n: actions.next, b: actions.before,
    s: () => document.getElementById("accept-all")?.click(),
    Enter: event.target.closest(".plot") ? actions.enter : undefined,
  }[key];
}
