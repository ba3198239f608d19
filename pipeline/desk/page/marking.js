// Marks and axis under the reader's hands: hovered, chosen, placed, dragged, and moved by keys.

export class Marking {
  constructor(desk) {
    this.desk = desk;
    this.ghost = null; // the place under the mouse, where a click would place a mark
    this.adjusting = false; // focus and axis are dragged, not marks
  }

  adjust(on) {
    this.adjusting = on;
    this.ghost = null;
    this.desk.refresh();
  }

  hover(place) {
    this.ghost = this.adjusting ? null : place;
    this.desk.redraw();
  }

  choose(mark) {
    this.desk.bone.chosen = mark;
    this.desk.bone.cursor = this.desk.bone.axis.place(this.desk.bone.marks.get(mark));
    this.desk.refresh();
  }

  placeAt(place) {
    this.ghost = null;
    this.desk.bone.cursor = place;
    this.desk.bone.place(place);
  }

  dragMark(mark, place) {
    this.desk.bone.marks.set(mark, this.desk.bone.axis.point(place));
    this.desk.bone.cursor = place;
    this.desk.redraw();
  }

  dropMark(mark, place, before) {
    this.desk.bone.move(mark, place, before);
  }

  dragEnd(end, point) {
    const { axis } = this.desk.bone;
    const moved = end === "focus" ? [point, axis.tip] : [axis.focus, point];
    this.desk.bone.axis = new axis.constructor(...moved);
    this.desk.redraw();
  }

  dropEnd() {
    const { axis } = this.desk.bone;
    this.desk.panel.axisNews("stored");
    this.desk.bone.correct(axis.focus, axis.tip).catch((error) => this.desk.panel.axisNews(error.message));
    this.desk.panel.offerAgain();
    if (this.desk.level) this.desk.picture.turn(-axis.angle);
    this.desk.refresh();
  }

  step(pixels, far) {
    const step = (pixels * (far ? 10 : 1)) / this.desk.picture.view.zoom;
    this.desk.bone.cursor = this.desk.bone.axis.bounded(this.desk.bone.cursor + step);
    const [x, y] = this.desk.picture.toScreen(this.desk.bone.axis.point(this.desk.bone.cursor));
    const [width, height] = this.desk.picture.size;
    if (x < 20 || y < 20 || x > width - 20 || y > height - 20) this.desk.picture.move(width / 2 - x, height / 2 - y);
    this.desk.redraw();
    this.desk.panel.showWhere(this.desk.bone);
  }

  nudge(pixels) {
    const { bone } = this.desk;
    if (bone.chosen === null) return;
    const place = bone.axis.place(bone.marks.get(bone.chosen)) + pixels / this.desk.picture.view.zoom;
    bone.move(bone.chosen, place);
    bone.cursor = bone.axis.bounded(place);
    this.desk.refresh();
  }
}
