// The growth axis: from scan pixels to places along it and back. A place is a number of scan pixels from the focus.

export class Axis {
  constructor(focus, tip) {
    this.focus = focus;
    this.tip = tip;
    const [dx, dy] = [tip[0] - focus[0], tip[1] - focus[1]];
    this.length = Math.hypot(dx, dy) || 1;
    this.along = [dx / this.length, dy / this.length];
    this.angle = Math.atan2(dy, dx);
  }

  // The scan pixel at a place on the axis, moved `aside` pixels to its right.
  point(place, aside = 0) {
    const [ux, uy] = this.along;
    return [this.focus[0] + place * ux - aside * uy, this.focus[1] + place * uy + aside * ux];
  }

  // Where the perpendicular from a scan pixel meets the axis.
  place([x, y]) {
    return (x - this.focus[0]) * this.along[0] + (y - this.focus[1]) * this.along[1];
  }

  bounded(place) {
    return Math.min(Math.max(place, 0), this.length);
  }
}
