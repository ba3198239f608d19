// Mouse, finger and pen on the picture: a click places a mark, a mark or a handle is dragged, all else moves the picture;
// wheel and two fingers bring it nearer.

const CLICK_PX = 4; // of movement up to which a press is a click
const GRAB_PX = 12; // from a mark or handle at which it is taken

export function handsOn(stage, desk, marking) {
  const pointers = new Map();
  let drag = null;
  let spread = 0;

  const at = (event) => {
    const box = stage.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const placeOf = (screen) => desk.bone.axis.bounded(desk.bone.axis.place(desk.picture.toScan(screen)));
  const distance = ([a, b], [c, d]) => Math.hypot(a - c, b - d);

  function grabbed(screen) {
    const { bone, picture } = desk;
    if (marking.adjusting) {
      for (const end of ["focus", "tip"]) {
        if (distance(picture.toScreen(bone.axis[end]), screen) <= 2 * GRAB_PX) return { kind: end };
      }
      return null;
    }
    const scan = picture.toScan(screen);
    const aside = Math.abs(distance(scan, bone.axis.point(bone.axis.place(scan)))) * picture.view.zoom;
    const mark = aside <= 40 ? bone.nearest(bone.axis.place(scan), GRAB_PX / picture.view.zoom) : null;
    return mark === null ? null : { kind: "mark", mark, before: bone.marks.get(mark) };
  }

  stage.addEventListener("pointerdown", (event) => {
    if (!desk.seen || event.button > 1) return;
    stage.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, at(event));
    if (pointers.size === 2) {
      spread = distance(...pointers.values());
      drag = null;
      return;
    }
    const screen = at(event);
    drag = { ...(event.button === 0 ? grabbed(screen) : null), from: screen, last: screen, moved: false };
    if (drag.kind === "mark") marking.choose(drag.mark);
  });

  stage.addEventListener("pointermove", (event) => {
    if (!desk.seen) return;
    const screen = at(event);
    if (pointers.has(event.pointerId)) pointers.set(event.pointerId, screen);
    if (pointers.size === 2) {
      const [a, b] = pointers.values();
      const now = distance(a, b);
      desk.picture.zoomAt([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], now / (spread || now));
      spread = now;
      return;
    }
    if (!drag) {
      if (event.pointerType === "mouse") marking.hover(placeOf(screen));
      return;
    }
    drag.moved ||= distance(screen, drag.from) > CLICK_PX;
    if (!drag.moved) return;
    if (drag.kind === "mark") marking.dragMark(drag.mark, placeOf(screen));
    else if (drag.kind) marking.dragEnd(drag.kind, desk.picture.toScan(screen));
    else desk.picture.move(screen[0] - drag.last[0], screen[1] - drag.last[1]);
    drag.last = screen;
  });

  function ended(event) {
    pointers.delete(event.pointerId);
    const done = drag;
    drag = null;
    if (!done || !desk.seen || event.type === "pointercancel") return;
    const screen = at(event);
    if (done.kind === "mark" && done.moved) marking.dropMark(done.mark, placeOf(screen), done.before);
    else if (done.kind && done.moved) marking.dropEnd();
    else if (!done.kind && !done.moved && !marking.adjusting && event.button === 0) marking.placeAt(placeOf(screen));
  }
  stage.addEventListener("pointerup", ended);
  stage.addEventListener("pointercancel", ended);
  stage.addEventListener("pointerleave", () => marking.hover(null));
  stage.addEventListener("contextmenu", (event) => event.preventDefault());
  stage.addEventListener("wheel", (event) => {
    event.preventDefault();
    desk.picture.zoomAt(at(event), Math.exp(-event.deltaY * 0.0015));
  }, { passive: false });
}
