// The keyboard: every control has a key, and none needs the mouse.

const PLAIN = {
  " ": "place", Enter: "place", Backspace: "remove", Delete: "remove", u: "undo", h: "hidden", "+": "nearer", "=": "nearer",
  "-": "farther", f: "whole", b: "base", m: "margin", l: "level", i: "invert", e: "even", a: "adjust", x: "unaged",
  s: "save", n: "next", p: "previous",
};
const EDGE = { 1: "translucent", 2: "narrow", 3: "medium", 4: "wide" };
const READABILITY = { 5: "clear", 6: "fair", 7: "poor" };

export function keysOn(desk) {
  addEventListener("keydown", (event) => {
    const inField = event.target.closest?.("input, textarea, select, dialog");
    if (inField) {
      if (event.key === "Escape" && !event.target.closest("dialog")) desk.stage.focus();
      return;
    }
    const { key } = event;
    const onButton = event.target.closest?.("button, a, summary");
    if (onButton && (key === " " || key === "Enter")) return;
    if ((event.ctrlKey || event.metaKey) && key.toLowerCase() === "z") act(() => desk.do("undo"));
    else if (event.ctrlKey || event.metaKey) return;
    else if (key === "?") act(() => desk.panel.showHelp());
    else if (key.toLowerCase() === "j") act(() => desk.panel.jump());
    else if (key === "ArrowLeft" || key === "ArrowRight") act(() => along(key === "ArrowRight" ? 1 : -1));
    else if (key === "ArrowUp" || key === "ArrowDown") act(() => desk.seen && desk.picture.move(0, key === "ArrowUp" ? 40 : -40));
    else if (key === "," || key === ".") act(() => toMark(key === "." ? 1 : -1));
    else if (event.altKey) return;
    else if (key === "Enter" && !document.getElementById("keep").hidden) act(() => desk.do("next"));
    else if (key in EDGE) act(() => desk.seen && desk.bone.choose("edge", EDGE[key]));
    else if (key in READABILITY) act(() => desk.seen && desk.bone.choose("readability", READABILITY[key]));
    else if ((key.length === 1 ? key.toLowerCase() : key) in PLAIN) act(() => desk.do(PLAIN[key.length === 1 ? key.toLowerCase() : key]));

    function act(what) {
      event.preventDefault();
      what();
    }

    function along(direction) {
      if (!desk.seen) return;
      if (event.altKey) desk.marking.nudge(direction);
      else desk.marking.step(direction * 2, event.shiftKey);
    }
  });

  function toMark(direction) {
    const { bone } = desk;
    if (!desk.seen) return;
    bone.cursor = bone.beside(direction);
    bone.chosen = bone.nearest(bone.cursor, 0.5);
    desk.marking.step(0, false);
    desk.refresh();
  }
}
