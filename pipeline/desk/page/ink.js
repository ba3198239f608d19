// What is drawn upon the bone, as SVG over the canvas: axis, cursor, the reader's marks, and, once the answer is kept,
// those of the machine and of other readers. Each kind has a shape of its own as well as a colour.

const SVG = "http://www.w3.org/2000/svg";
const TICK = 15; // screen pixels to each side of the axis
const TAG_APART = 22; // screen pixels between tags of one row
const MOST_ROWS = 3;

export class Ink {
  constructor(svg, picture) {
    this.svg = svg;
    this.picture = picture;
  }

  draw(bone, { ghost = null, adjusting = false } = {}) {
    this.svg.replaceChildren();
    if (!bone || !this.picture.grey) return;
    const { axis } = bone;
    const at = (place) => this.picture.toScreen(axis.point(place));
    const [focus, tip] = [at(0), at(axis.length)];
    this.line("axis", focus, tip);
    this.circle("halo", focus, adjusting ? 11 : 6);
    this.circle("focus", focus, adjusting ? 11 : 6);
    this.across("tip", bone, axis.length, adjusting ? 20 : 12);
    if (adjusting) {
      this.circle("handle", focus, 16);
      this.circle("handle", tip, 16);
    }
    for (const [k, other] of this.others(bone).entries()) {
      const rows = this.rows(other.marks.map((point) => axis.place(point)));
      other.marks.forEach((point, i) => this.mark(bone, axis.place(point), other.shape, other.numbers[i], -1, 3 * k + rows[i]));
    }
    const places = bone.places;
    const rows = this.rows(places.map(([, place]) => place));
    places.forEach(([mark, place], i) => {
      const number = String(i + 1 + (bone.hidden ? 1 : 0));
      this.mark(bone, place, mark === bone.chosen ? "mine chosen" : "mine", number, 1, rows[i]);
    });
    if (ghost !== null) this.across("ghost", bone, ghost, TICK + 4);
    this.cursor(bone);
  }

  // Marks of the machine and of others, in the order of their rows beside the axis.
  others(bone) {
    const { after, both } = bone.facts;
    const people = (answers) =>
      answers.map(({ marks }, i) => ({ shape: `other other-${i % 2}`, marks, numbers: sortedNumbers(marks, bone.axis) }));
    const shown = [];
    if (after) {
      shown.push({
        shape: "machine",
        marks: after.marks.map((mark) => mark.at),
        numbers: after.marks.map((mark) => String(mark.number)),
      });
      shown.push(...people(after.others));
    }
    if (both) shown.push(...people(both));
    return shown;
  }

  // The row of each tag, so that tags of crowded marks stand beside each other and not upon each other.
  rows(places) {
    const ends = [];
    const rows = [];
    const order = places.map((place, i) => [place * this.picture.view.zoom, i]).sort((a, b) => a[0] - b[0]);
    for (const [at, i] of order) {
      let row = ends.findIndex((end) => at - end >= TAG_APART);
      if (row < 0) row = ends.length < MOST_ROWS ? ends.length : ends.indexOf(Math.min(...ends));
      ends[row] = at;
      rows[i] = row;
    }
    return rows;
  }

  mark(bone, place, shape, number, side, row) {
    const name = shape.split(" ")[0];
    this.across(shape, bone, place, TICK);
    const [x, y] = this.beside(bone, place, side * (TICK + 11 + 21 * row));
    if (name === "machine") this.shape("rect", shape, { x: x - 8, y: y - 8, width: 16, height: 16 });
    else if (name === "other") this.shape("path", shape, { d: `M${x} ${y - 11}l11 11-11 11-11-11z` });
    else this.circle(shape, [x, y], 10);
    const words = this.shape("text", `tag ${name}`, { x, y: y + 4, "text-anchor": "middle" });
    words.textContent = number;
  }

  cursor(bone) {
    const { cursor } = bone;
    this.across("cursor", bone, cursor, TICK + 9);
    for (const side of [1, -1]) {
      const [x, y] = this.beside(bone, cursor, side * (TICK + 9));
      this.circle("cursor", [x, y], 3);
    }
  }

  // The screen point beside a place on the axis; positive is to the right of who looks from focus to margin.
  beside(bone, place, pixels) {
    return this.picture.toScreen(bone.axis.point(place, pixels / this.picture.view.zoom));
  }

  across(name, bone, place, reach) {
    this.line(name, this.beside(bone, place, -reach), this.beside(bone, place, reach));
  }

  line(name, [x1, y1], [x2, y2]) {
    this.shape("line", `${name} halo`, { x1, y1, x2, y2 });
    this.shape("line", name, { x1, y1, x2, y2 });
  }

  circle(name, [cx, cy], r) {
    this.shape("circle", name, { cx, cy, r });
  }

  shape(kind, name, attributes) {
    const made = document.createElementNS(SVG, kind);
    made.setAttribute("class", name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, typeof value === "number" ? value.toFixed(2) : value);
    this.svg.append(made);
    return made;
  }
}

// The number of each mark, counted from the focus.
function sortedNumbers(marks, axis) {
  const order = marks.map((point, i) => [axis.place(point), i]).sort((a, b) => a[0] - b[0]);
  const numbers = [];
  order.forEach(([, i], rank) => {
    numbers[i] = String(rank + 1);
  });
  return numbers;
}
