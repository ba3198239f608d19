// What the reader does at one bone: marks on the axis, answers to the two questions, undo. Every change of a mark is
// posted as it is made.

import { Axis } from "./axis.js";

export class Bone {
  // `facts` as the server shows them; `post(address, body)` sends; `changed()` is called after every change.
  constructor(facts, reader, post, changed) {
    this.reader = reader;
    this.post = post;
    this.changed = changed;
    this.history = [];
    this.chosen = null;
    this.cursor = null;
    this.seconds = 0;
    this.learn(facts);
    this.fill(this.answer);
  }

  learn(facts) {
    this.facts = facts;
    this.axis = new Axis(facts.focus, facts.tip);
    this.marks = new Map(facts.marks.map(({ mark, at }) => [mark, at]));
    this.nextMark = facts.next_mark;
    if (this.cursor === null) this.cursor = this.axis.length / 2;
  }

  // The latest answer of this reader, if there is one.
  get answer() {
    return this.facts.answers.at(-1) || null;
  }

  fill(answer) {
    this.edge = answer?.edge || "";
    this.readability = answer?.readability || "";
    this.note = answer?.note || "";
    this.hidden = answer !== null && answer.annuli !== null && answer.annuli === this.marks.size + 1;
    this.touched = false;
  }

  get count() {
    return this.marks.size + (this.hidden ? 1 : 0);
  }

  // Marks from the focus outward: [number of the mark, place on the axis].
  get places() {
    return [...this.marks].map(([mark, at]) => [mark, this.axis.place(at)]).sort((a, b) => a[1] - b[1]);
  }

  // ------------------------------------------------------------------------------------------------ marks
  place(place) {
    const mark = this.nextMark;
    this.nextMark += 1;
    this.put(mark, this.axis.point(this.axis.bounded(place)), "place");
    this.history.push({ undo: "remove", mark });
    this.chosen = mark;
    return mark;
  }

  // `before` is where the mark lay before it was dragged.
  move(mark, place, before = this.marks.get(mark)) {
    this.put(mark, this.axis.point(this.axis.bounded(place)), "move");
    this.history.push({ undo: "move", mark, at: before });
  }

  remove(mark) {
    const at = this.marks.get(mark);
    if (!at) return;
    this.drop(mark);
    this.history.push({ undo: "place", mark, at });
  }

  undo() {
    const last = this.history.pop();
    if (!last) return false;
    if (last.undo === "remove") this.drop(last.mark);
    else this.put(last.mark, last.at, last.undo);
    return true;
  }

  put(mark, at, act) {
    this.marks.set(mark, at);
    this.chosen = mark;
    this.send("/api/mark", { act, mark, x: at[0], y: at[1] });
    this.touch();
  }

  drop(mark) {
    this.marks.delete(mark);
    if (this.chosen === mark) this.chosen = null;
    this.send("/api/mark", { act: "remove", mark });
    this.touch();
  }

  // The mark nearest a place, if it is within a reach.
  nearest(place, reach) {
    const near = this.places.map(([mark, at]) => [mark, Math.abs(at - place)]).sort((a, b) => a[1] - b[1])[0];
    return near && near[1] <= reach ? near[0] : null;
  }

  // The place of the mark before (-1) or after (1) the cursor, or the end of the axis.
  beside(direction) {
    const places = this.places.map(([, at]) => at);
    const found = direction > 0 ? places.find((at) => at > this.cursor + 0.5) : places.findLast((at) => at < this.cursor - 0.5);
    return found ?? (direction > 0 ? this.axis.length : 0);
  }

  // ------------------------------------------------------------------------------------------------ answers
  touch() {
    this.touched = true;
    this.changed();
  }

  choose(question, value) {
    this[question] = this[question] === value ? "" : value;
    this.touch();
  }

  save(annuli, together) {
    const answer = {
      annuli,
      edge: annuli === null ? "" : this.edge,
      readability: this.readability,
      note: this.note,
      seconds: Math.round(this.seconds * 10) / 10,
    };
    this.seconds = 0;
    this.touched = false;
    return this.send("/api/answer", together ? { ...answer, together_with: together } : answer);
  }

  // ------------------------------------------------------------------------------------------------ axis
  // Marks stay on the bone's pixels; only the line moves.
  correct(focus, tip) {
    this.axis = new Axis(focus, tip);
    this.cursor = this.axis.bounded(this.cursor);
    return this.send("/api/axis", { focus, tip });
  }

  readAgain() {
    return this.send("/api/read-again", {});
  }

  // Marks and axis of a joint look are those of both readers; an answer bears the names of each.
  send(address, body) {
    const reader = address === "/api/answer" ? this.reader : this.facts.reader;
    return this.post(address, { reader, specimen: this.facts.specimen, sign: this.facts.sign, ...body });
  }
}
