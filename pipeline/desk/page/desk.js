// The desk: one bone after another. Puts picture, ink, hands, keys and the panel of the answer together.

import { Bone } from "./bone.js";
import { handsOn } from "./hands.js";
import { Ink } from "./ink.js";
import { keysOn } from "./keys.js";
import { Marking } from "./marking.js";
import { Panel } from "./panel.js";
import { decoded, Picture } from "./picture.js";
import { get, getPicture, Outbox } from "./server.js";

const IDLE_MS = 60_000; // without a hand or key: the reader has left, and time no longer counts
const BASE_SHARE = 0.4; // of the axis, shown by "base"
const MARGIN_SHARE = 0.25; // and by "margin"
const NEWS_MS = 1500;

const by = (id) => document.getElementById(id);

class Desk {
  constructor() {
    this.stage = by("stage");
    this.picture = new Picture(by("canvas"));
    this.ink = new Ink(by("ink"), this.picture);
    this.panel = new Panel(this);
    this.picture.drawn = () => this.redraw();
    this.bone = null;
    this.marking = new Marking(this);
    this.level = true;
    this.list = { to_do: [], done: [] };
    this.visited = [];
    this.ahead = null; // { specimen, picture }: the bone that probably comes next
    this.lastHand = this.lastTick = performance.now();
    handsOn(this.stage, this, this.marking);
    keysOn(this);
    new ResizeObserver(() => this.picture.draw()).observe(this.stage);
    setInterval(() => this.tick(), 1000);
    for (const event of ["pointermove", "pointerdown", "keydown", "wheel"]) {
      addEventListener(event, () => { this.lastHand = performance.now(); }, { passive: true });
    }
    addEventListener("beforeunload", (event) => {
      if (this.outbox?.waiting.length) event.preventDefault();
    });
    addEventListener("hashchange", () => this.open(decodeURIComponent(location.hash.slice(1))));
  }

  // ------------------------------------------------------------------------------------------------ who and what
  async start() {
    this.run = await get("/api/run");
    this.panel.showRun(this.run);
    this.kind = localStorage.getItem("opercle-desk-list") || "queue";
    if (!(this.kind in this.run.kinds)) this.kind = "queue";
    this.reader = localStorage.getItem("opercle-desk-reader") || "";
    this.second = "";
    if (this.reader && this.kind !== "joint") await this.begin();
    else this.panel.askName();
  }

  async begin() {
    localStorage.setItem("opercle-desk-reader", this.reader);
    localStorage.setItem("opercle-desk-list", this.kind);
    this.outbox = new Outbox(this.reader, (waiting, error) => this.panel.showStored(waiting, error));
    this.panel.showReader();
    this.bone = null;
    this.visited = [];
    this.ahead = null;
    await this.learnList();
    const wanted = decodeURIComponent(location.hash.slice(1));
    const first = wanted || this.list.to_do[0];
    if (first) await this.open(first);
    else this.close();
  }

  async learnList() {
    this.list = await get("/api/work", { kind: this.kind, reader: this.reader });
    this.panel.showProgress(this.list);
  }

  // Nothing is done at a bone before its picture is there.
  get seen() {
    return this.bone !== null && this.picture.grey !== null;
  }

  get joint() {
    return this.kind === "joint";
  }

  // ------------------------------------------------------------------------------------------------ bones
  asked(specimen) {
    return this.joint ? { specimen, reader: this.reader, with: this.second } : { specimen, reader: this.reader };
  }

  async open(specimen) {
    if (!specimen || this.bone?.facts.specimen === specimen) return;
    const turn = (this.turn = (this.turn || 0) + 1);
    let facts;
    try {
      facts = await get("/api/bone", this.asked(specimen));
    } catch (error) {
      this.panel.alarm(error.message);
      return;
    }
    if (turn !== this.turn) return;
    this.panel.alarm("");
    this.marking.adjusting = false;
    this.bone = new Bone(facts, this.reader, (address, body) => this.outbox.post(address, body), () => this.refresh());
    this.tick();
    this.bone.seconds = 0;
    this.visited = this.visited.filter((s) => s !== specimen).concat(specimen);
    history.replaceState(null, "", `#${encodeURIComponent(specimen)}`);
    this.picture.tone = { ...this.picture.tone, brightness: 0, contrast: 0, plain: false };
    this.picture.empty(); // nobody marks this bone on the picture of the last one
    this.panel.showBone(this.bone);
    this.stage.focus({ preventScroll: true });
    await this.showPicture(turn);
    this.fetchAhead();
  }

  // The stored, smaller picture at once, the scan's own pixels as soon as they are there.
  async showPicture(turn) {
    const { facts } = this.bone;
    const ahead = this.ahead?.specimen === facts.specimen ? this.ahead.picture : null;
    this.ahead = null;
    const soon = ahead !== null || facts.sharp;
    const full = ahead || getPicture("full", facts);
    full.catch(() => {}); // heard of below, after the smaller picture
    // Resolves with why a picture cannot be shown, blank when it is.
    const show = async (coming) => {
      try {
        const pixels = await decoded(await coming);
        if (turn !== this.turn) return "";
        const first = !this.picture.grey;
        this.picture.use(pixels, this.bone.axis);
        if (first) this.frame();
        return "";
      } catch (error) {
        return error.message;
      }
    };
    if (!soon) await show(getPicture("stored", facts));
    if (turn !== this.turn) return;
    by("loading").hidden = soon;
    const missing = await show(full);
    const nothing = missing && !this.picture.grey ? await show(getPicture("stored", facts)) : "";
    if (turn !== this.turn) return;
    by("loading").hidden = true;
    this.panel.alarm(nothing || missing);
  }

  fetchAhead() {
    const next = this.nextToDo();
    if (!next || this.ahead?.specimen === next) return;
    const picture = get("/api/bone", this.asked(next)).then((facts) => getPicture("full", facts));
    const ahead = { specimen: next, picture };
    picture.catch(() => {
      if (this.ahead === ahead) this.ahead = null; // asked for again when the bone is opened
    });
    this.ahead = ahead;
  }

  close() {
    this.bone = null;
    this.picture.empty();
    this.panel.showNothing();
  }

  nextToDo() {
    const { to_do: toDo } = this.list;
    const here = toDo.indexOf(this.bone?.facts.specimen);
    const rest = [...toDo.slice(here + 1), ...toDo.slice(0, Math.max(here, 0))];
    return rest.find((specimen) => specimen !== this.bone?.facts.specimen);
  }

  async next() {
    const next = this.nextToDo();
    await this.learnList().catch((error) => this.panel.alarm(error.message));
    const still = next && this.list.to_do.includes(next) ? next : this.nextToDo();
    if (still) await this.open(still);
    else if (!this.list.to_do.length) this.close();
  }

  async previous() {
    const here = this.visited.indexOf(this.bone?.facts.specimen);
    const before = here > 0 ? this.visited[here - 1] : this.list.done.filter((s) => s !== this.bone?.facts.specimen).at(-1);
    if (!before) return;
    const visited = this.visited;
    await this.open(before);
    this.visited = visited.includes(before) ? visited : [before, ...visited];
  }

  // ------------------------------------------------------------------------------------------------ view
  frame() {
    if (!this.bone) return;
    const { axis } = this.bone;
    this.picture.view.angle = this.level ? -axis.angle : 0;
    this.picture.hold([...this.bone.facts.outline, axis.focus, axis.tip]);
  }

  near(share, atMargin) {
    const { axis } = this.bone;
    this.picture.goTo(axis.point(axis.length * (atMargin ? 1 - share / 2 + 0.02 : share / 2)), axis.length * share * 1.1);
  }

  redraw() {
    this.ink.draw(this.bone, this.marking);
    if (this.bone) this.panel.showScale(this.picture.view.zoom, this.bone);
  }

  refresh() {
    this.panel.showAnswer(this.bone);
    this.redraw();
  }

  tone(changes) {
    Object.assign(this.picture.tone, changes);
    this.picture.retone();
    this.panel.showTone();
  }

  // ------------------------------------------------------------------------------------------------ what buttons and keys do
  do(name) {
    const { bone, picture } = this;
    if (!this.seen && name !== "next" && name !== "previous") return;
    const middle = picture.size.map((side) => side / 2);
    const acts = {
      nearer: () => picture.zoomAt(picture.toScreen(bone.axis.point(bone.cursor)), 1.3),
      farther: () => picture.zoomAt(middle, 1 / 1.3),
      whole: () => this.frame(),
      base: () => this.near(BASE_SHARE, false),
      margin: () => this.near(MARGIN_SHARE, true),
      level: () => { this.level = !this.level; this.frame(); this.panel.showTone(); },
      invert: () => this.tone({ invert: !picture.tone.invert }),
      even: () => this.tone({ even: !picture.tone.even }),
      plain: () => this.tone({ brightness: 0, contrast: 0, invert: false, even: false, plain: !picture.tone.plain }),
      place: () => bone.place(bone.cursor),
      remove: () => bone.remove(bone.chosen ?? bone.nearest(bone.cursor, 14 / picture.view.zoom)),
      undo: () => bone.undo(),
      hidden: () => { bone.hidden = !bone.hidden; bone.touch(); },
      save: () => this.save(bone.count),
      unaged: () => this.save(null),
      next: () => this.next(),
      previous: () => this.previous(),
      adjust: () => this.marking.adjust(!this.marking.adjusting),
      again: () => this.readAgain(),
    };
    return acts[name]?.();
  }

  async save(annuli) {
    const { bone } = this;
    if (bone.answer && !bone.touched && annuli !== null) return this.next();
    if (annuli === 0 && !bone.sureOfNone) {
      bone.sureOfNone = true;
      this.panel.ask("No annulus is marked. Save again if the bone has none.");
      return undefined;
    }
    this.tick();
    try {
      const facts = await bone.save(annuli, this.joint ? this.second : null);
      if (bone !== this.bone) return undefined;
      bone.learn(facts);
      this.panel.showBone(bone, { saved: true });
      this.redraw();
      await this.learnList();
      this.fetchAhead();
    } catch (error) {
      this.panel.alarm(error.message);
    }
    return undefined;
  }

  async readAgain() {
    const { bone } = this;
    this.panel.axisNews("the machine reads the bone again …");
    await bone.readAgain();
    let run = { busy: true };
    while (run.busy && !run.fault) {
      await new Promise((wait) => setTimeout(wait, NEWS_MS));
      run = await get("/api/run");
    }
    if (bone !== this.bone) return;
    bone.learn(await get("/api/bone", this.asked(bone.facts.specimen)));
    this.panel.axisNews(run.fault || (bone.facts.after || !bone.answer ? "read again" : ""));
    this.panel.showBone(bone, { saved: true });
    this.redraw();
  }

  // Time goes to the bone that is shown, unless the reader has left.
  tick() {
    const now = performance.now();
    if (this.bone && !document.hidden && now - this.lastHand < IDLE_MS) this.bone.seconds += (now - this.lastTick) / 1000;
    this.lastTick = now;
  }
}

const desk = new Desk();
desk.start().catch((error) => desk.panel.alarm(error.message));
