// Words of the page that stand in more than one place, and the keys.

export const EDGES = [
  ["translucent", "1", "winter zone at the margin"],
  ["narrow", "2", "little growth, under a third"],
  ["medium", "3", "a third to two thirds"],
  ["wide", "4", "over two thirds of a year"],
];

export const READABILITIES = [
  ["clear", "5", "clear: I would count it so again"],
  ["fair", "6", "fair: may be one off"],
  ["poor", "7", "poor: little more than a guess"],
];

export const KEYS = [
  ["marks", [
    ["← →", "cursor along the axis; with shift ten times as far"],
    ["space", "place a mark at the cursor"],
    [", .", "cursor to the mark before or after"],
    ["alt ← →", "move the chosen mark"],
    ["⌫", "remove the chosen mark"],
    ["U", "undo"],
    ["H", "and a first annulus hidden in the base"],
  ]],
  ["picture", [
    ["+ −", "nearer, farther"],
    ["F B M", "whole bone, base, margin"],
    ["L", "axis level, or as scanned"],
    ["I E", "inverted, evened brightness"],
    ["A", "adjust focus and axis"],
  ]],
  ["answer", [
    ["1 to 4", "what lies beyond the last annulus"],
    ["5 to 7", "how well it can be read"],
    ["X", "cannot be aged"],
    ["S", "save"],
    ["↵", "once saved: keep it, next bone"],
    ["N P", "next bone, previous bone"],
    ["J", "to a specimen"],
  ]],
];

export function annuli(count) {
  return count === 1 ? "annulus" : "annuli";
}
