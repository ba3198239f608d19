// The words and controls about the picture: what is known of the bone, the reader's answer, and what follows from it.

import { annuli, EDGES, KEYS, READABILITIES } from "./words.js";
import { get } from "./server.js";

const by = (id) => document.getElementById(id);
const LENGTHS_MM = [10, 5, 2, 1, 0.5, 0.2];
const MOST_SCALE_PX = 160;

function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export class Panel {
  constructor(desk) {
    this.desk = desk;
    this.alarms = new Map(); // by the matter they are about; blank when all is well
    this.choices("edges", "edge", EDGES);
    this.choices("readabilities", "readability", READABILITIES);
    for (const button of document.querySelectorAll("[data-do]")) {
      button.addEventListener("click", (event) => {
        desk.do(button.dataset.do);
        if (event.detail) desk.stage.focus({ preventScroll: true }); // a click of the mouse gives the keys back
      });
    }
    by("next").addEventListener("click", () => desk.do("next"));
    by("previous").addEventListener("click", () => desk.do("previous"));
    by("note").addEventListener("input", () => {
      if (!desk.bone) return;
      desk.bone.note = by("note").value;
      desk.bone.touch();
    });
    for (const name of ["brightness", "contrast"]) {
      by(name).addEventListener("input", () => desk.tone({ [name]: Number(by(name).value), plain: false }));
      by(name).addEventListener("change", () => desk.stage.focus({ preventScroll: true }));
    }
    by("kind").addEventListener("change", () => {
      desk.kind = by("kind").value;
      history.replaceState(null, "", "#");
      if (desk.kind === "joint") this.askName();
      else desk.begin();
    });
    by("change-reader").addEventListener("click", () => this.askName());
    by("help-button").addEventListener("click", () => this.showHelp());
    by("wanted").addEventListener("input", () => this.lookFor(by("wanted").value));
    by("jump").addEventListener("submit", (event) => {
      event.preventDefault();
      desk.open(by("wanted").value.trim());
    });
    by("sign-in").addEventListener("cancel", (event) => {
      if (!desk.outbox) event.preventDefault();
    });
    by("sign-in").querySelector("form").addEventListener("submit", (event) => this.named(event));
    by("keys").append(...KEYS.map(([title, rows]) => element("section", {}, element("h3", {}, title), element("dl", {}, ...rows.flatMap(([keys, words]) => [element("dt", {}, ...keys.split(" ").map((key) => (key === "to" ? " to " : element("kbd", {}, key)))), element("dd", {}, words)])))));
  }

  choices(id, question, options) {
    by(id).append(...options.map(([value, key, words]) => {
      const button = element("button", { "data-choice": `${question}:${value}`, "aria-pressed": "false" }, element("kbd", {}, key), ` ${words}`);
      button.addEventListener("click", (event) => {
        if (this.desk.seen) this.desk.bone.choose(question, value);
        if (event.detail) this.desk.stage.focus({ preventScroll: true });
      });
      return button;
    }));
  }

  // ------------------------------------------------------------------------------------------------ who
  askName() {
    const joint = this.desk.kind === "joint";
    by("name").value = this.desk.reader;
    by("second-field").hidden = !joint;
    by("second").required = joint;
    by("name-fault").textContent = "";
    if (!by("sign-in").open) by("sign-in").showModal();
    by(joint && this.desk.reader ? "second" : "name").focus();
  }

  async named(event) {
    event.preventDefault();
    const [name, second] = [by("name").value, by("second").value].map((text) => text.trim().replace(/\s+/g, " "));
    try {
      await get("/api/work", { kind: "queue", reader: name });
      if (this.desk.kind === "joint") {
        await get("/api/work", { kind: "queue", reader: second });
        if (second.toLowerCase() === name.toLowerCase()) throw new Error("two different readers look together");
      }
    } catch (error) {
      by("name-fault").textContent = error.message;
      return;
    }
    [this.desk.reader, this.desk.second] = [name, second];
    by("sign-in").close();
    await this.desk.begin();
  }

  showReader() {
    const { desk } = this;
    by("reader").textContent = desk.joint ? `${desk.reader}, with ${desk.second}` : desk.reader;
    by("readings").href = `/readings.csv?${new URLSearchParams({ reader: desk.reader })}`;
    by("kind").value = desk.kind;
  }

  // ------------------------------------------------------------------------------------------------ the run
  showRun(run) {
    by("run").textContent = run.name;
    document.title = `Reading desk: ${run.name}`;
    by("kind").append(...Object.entries(run.kinds).map(([kind, words]) => new Option(words, kind)));
    if (run.fault) this.alarm(run.fault);
  }

  showProgress({ to_do: toDo, done }) {
    const all = toDo.length + done.length;
    by("bar").max = all || 1;
    by("bar").value = done.length;
    by("progress").textContent = all ? `${done.length} of ${all}` : "no bones";
  }

  // ------------------------------------------------------------------------------------------------ the bone
  showBone(bone, { saved = false } = {}) {
    const { facts } = bone;
    by("specimen").textContent = facts.specimen;
    const side = { L: "left", R: "right" }[facts.side];
    const light = facts.lighting === "reflected" ? "reflected light: winter zones are dark" : "transmitted light: winter zones are bright";
    by("facts").textContent = [facts.species, facts.water, facts.captured && `captured ${facts.captured}`, side && `${side} side`, light].filter(Boolean).join(" · ");
    by("hints").replaceChildren(...facts.look.map((words) => element("li", {}, words)));
    if (!saved) {
      by("note").value = bone.note;
      by("axis-news").textContent = "";
    }
    by("again").disabled = !facts.by_hand;
    for (const control of document.querySelectorAll(".answer button, .answer textarea, .tools button, .tools input")) {
      if (control.id !== "again") control.disabled = false;
    }
    this.showAnswer(bone);
    this.showTone();
  }

  showNothing() {
    by("specimen").textContent = "No bone is left in this list";
    by("facts").textContent = "Choose another list above, or jump to a specimen.";
    by("hints").replaceChildren();
    by("chips").replaceChildren();
    by("count").textContent = "–";
    by("count-words").textContent = "";
    by("after").hidden = true;
    by("where").textContent = "";
    by("scale").textContent = "";
    for (const control of document.querySelectorAll(".answer button, .answer textarea, .tools button, .tools input")) control.disabled = true;
  }

  showAnswer(bone) {
    const { answer, facts } = bone;
    by("count").textContent = String(bone.count);
    by("count-words").textContent = annuli(bone.count);
    const places = bone.places;
    by("chips").replaceChildren(...places.map(([mark], i) => {
      const chip = element("button", { "aria-pressed": String(mark === bone.chosen), "aria-label": `mark ${i + 1}` }, String(i + 1 + (bone.hidden ? 1 : 0)));
      chip.addEventListener("click", () => this.desk.marking.choose(mark));
      return chip;
    }));
    this.press("[data-do=hidden]", bone.hidden);
    this.press("[data-do=adjust]", this.desk.marking.adjusting);
    for (const button of document.querySelectorAll("[data-choice]")) {
      const [question, value] = button.dataset.choice.split(":");
      button.setAttribute("aria-pressed", String(bone[question] === value));
    }
    const saved = answer !== null && !bone.touched;
    by("save-words").textContent = answer ? `save ${bone.count} instead` : `save ${bone.count}`;
    document.querySelector("[data-do=save]").hidden = saved;
    by("keep").hidden = !saved;
    by("after").hidden = !answer;
    if (facts.both || facts.after) this.compare(bone);
    this.showWhere(bone);
  }

  compare(bone) {
    const { after, both } = bone.facts;
    const { answer } = bone;
    const rows = [];
    const row = (shape, who, count, words) => rows.push(element("tr", {}, element("th", { scope: "row" }, element("span", { class: `sign ${shape}` }), ` ${who}`), element("td", { class: "n" }, count === null ? "not aged" : String(count)), element("td", {}, words)));
    if (both) both.forEach((one, i) => row(`other-${i % 2}`, one.reader, one.annuli, one.note || ""));
    if (answer) row("mine", "you", answer.annuli, "");
    if (after) {
      after.others.forEach((one, i) => row(`other-${i % 2}`, one.reader, one.annuli, one.note || ""));
      const range = after.low === after.high ? "" : `, likely ${after.low} to ${after.high}`;
      row("machine", "machine", after.annuli, after.annuli === null ? "" : `confidence ${after.confidence.toFixed(2)}${range}`);
    }
    const more = [];
    if (after?.reasons.length) more.push(element("p", {}, "It asked for a person: ", after.reasons.map((reason) => reason.means).join("; "), "."));
    if (after?.length_mm) more.push(element("p", {}, `Length of the fish: ${after.length_mm} mm.`));
    const table = element("table", {}, element("tbody", {}, ...rows));
    by("compare").replaceChildren(table, ...more);
    if (both) by("after").hidden = false;
    by("after").querySelector(".quiet").hidden = !answer;
  }

  showWhere(bone) {
    const share = Math.round((100 * bone.cursor) / bone.axis.length);
    by("where").textContent = `cursor at ${share} % of the axis, ${bone.count} ${annuli(bone.count)}`;
  }

  showScale(zoom, bone) {
    const { dpi } = bone.facts;
    if (!dpi) {
      by("scale").textContent = `${zoom.toFixed(2)} screen pixels a pixel of the scan; millimetres not known`;
      return;
    }
    const pixelsAMillimetre = (dpi / 25.4) * zoom;
    const length = LENGTHS_MM.find((mm) => mm * pixelsAMillimetre <= MOST_SCALE_PX) ?? 0.1;
    const bar = element("span", { class: "bar" });
    bar.style.width = `${length * pixelsAMillimetre}px`;
    by("scale").replaceChildren(bar, ` ${length} mm`);
  }

  showTone() {
    const { tone } = this.desk.picture;
    this.press("[data-do=invert]", tone.invert);
    this.press("[data-do=even]", tone.even);
    this.press("[data-do=level]", this.desk.level);
    by("brightness").value = tone.brightness;
    by("contrast").value = tone.contrast;
  }

  press(selector, on) {
    document.querySelector(selector).setAttribute("aria-pressed", String(Boolean(on)));
  }

  // ------------------------------------------------------------------------------------------------ news
  showStored(waiting, error) {
    by("stored").textContent = waiting ? `${waiting} not stored yet` : "stored";
    by("stored").classList.toggle("waiting", waiting > 0);
    if (error) this.alarm(error, "storing");
    else if (error === "" && waiting) this.alarm("The desk does not answer. What you do is kept in this browser and sent as soon as it answers again.", "storing");
    else if (!waiting) this.alarm("", "storing");
  }

  // Each matter has its own alarm: that the answers are stored says nothing about the picture.
  alarm(words, matter = "bone") {
    this.alarms.set(matter, words);
    const said = [...this.alarms.values()].filter(Boolean).join(" ");
    by("alarm").textContent = said;
    by("alarm").hidden = !said;
  }

  // What must be said about saving, beside the button.
  ask(words) {
    by("stored").textContent = words;
    by("stored").classList.add("waiting");
  }

  axisNews(words) {
    by("axis-news").textContent = words;
  }

  offerAgain() {
    by("again").disabled = false;
  }

  showHelp() {
    by("help").showModal();
  }

  jump() {
    by("wanted").focus();
    by("wanted").select();
  }

  async lookFor(text) {
    const found = text.trim() ? await get("/api/find", { text }) : [];
    by("found").replaceChildren(...found.map((specimen) => new Option(specimen, specimen)));
  }
}
