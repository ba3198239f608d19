// The bones of the run in pages, filtered. The data stand in the page; no other file is asked for but pictures.
const data = JSON.parse(document.getElementById("bones-data").textContent);
const [ID, PICTURE, SCAN, BONE, SPECIES, WATER, STATE, ANNULI, LOW, HIGH, CONFIDENCE, FINAL, AGE, BY, REASONS] = Array(15).keys();
const STATE_NAMES = ["settled", "kept", "wait", "none"];
const form = document.getElementById("filters");
const list = document.getElementById("bone-list");
const howMany = document.getElementById("bones-shown");
const pagers = [...document.querySelectorAll(".pager")];
let page = 0;

function fill(name, texts) {
  const select = form.elements[name];
  texts.forEach((text, number) => {
    if (text !== "") select.append(new Option(text, String(number)));
  });
  select.closest("label").hidden = texts.filter((text) => text !== "").length < 2;
}

function sorted(texts) {
  return texts.map((text, number) => [text, number]).sort((a, b) => a[0].localeCompare(b[0], undefined, { numeric: true }));
}

function fillSorted(name, texts) {
  const select = form.elements[name];
  for (const [text, number] of sorted(texts)) if (text !== "") select.append(new Option(text, String(number)));
  select.closest("label").hidden = texts.filter((text) => text !== "").length < 2;
}

function chosen() {
  const value = (name) => (form.elements[name].value === "" ? null : Number(form.elements[name].value));
  const [species, water, reason, scan, state] = ["species", "water", "reason", "scan", "state"].map(value);
  const text = form.elements.specimen.value.trim().toLowerCase();
  return data.rows.filter(
    (row) =>
      (species === null || row[SPECIES] === species) &&
      (water === null || row[WATER] === water) &&
      (scan === null || row[SCAN] === scan) &&
      (state === null || row[STATE] === state) &&
      (reason === null || row[REASONS].includes(reason)) &&
      (text === "" || row[ID].toLowerCase().includes(text)),
  );
}

function element(name, className, text) {
  const made = document.createElement(name);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function countOf(row) {
  const line = element("span", "count " + STATE_NAMES[row[STATE]] + "-mark");
  const person = row[STATE] === 0;
  const count = person ? row[FINAL] : row[ANNULI];
  line.append(element("b", "", count === null ? "no count" : String(count)));
  if (count !== null) line.append(count === 1 ? " annulus" : " annuli");
  if (row[AGE] !== null) line.append(`, age ${row[AGE]}`);
  return line;
}

function wordsOf(row) {
  if (row[STATE] === 0) {
    const machine = row[ANNULI] === null ? "the machine gave no count" : `machine ${row[ANNULI]}`;
    return `counted by ${data.by[row[BY]]}; ${machine}`;
  }
  if (row[ANNULI] === null) return "";
  const range = row[LOW] === row[HIGH] ? "" : `, likely ${row[LOW]} to ${row[HIGH]}`;
  return `confidence ${row[CONFIDENCE].toFixed(2)}${range}`;
}

function card(row) {
  const item = element("li");
  const name = row[PICTURE] === 1 ? row[ID] : row[PICTURE];
  const inside = element(name ? "a" : "div");
  if (!name) {
    inside.append(element("span", "blank", "no picture"));
  } else {
    inside.href = `overlays/${encodeURIComponent(name)}.jpg`;
    const picture = element("img");
    picture.src = `small/overlays/${encodeURIComponent(name)}.jpg`;
    picture.loading = "lazy";
    picture.alt = "";
    inside.append(picture);
  }
  inside.append(element("span", "id", row[ID]), countOf(row), element("small", "", wordsOf(row)));
  if (row[REASONS].length && row[STATE] !== 0) {
    const why = element("small", "why", row[REASONS].map((code) => data.code[code]).join(", "));
    why.title = row[REASONS].map((code) => data.means[data.code[code]] || "").join("; ");
    inside.append(why);
  }
  item.append(inside);
  return item;
}

function show(focus) {
  const rows = chosen();
  const pages = Math.max(1, Math.ceil(rows.length / data.page));
  page = Math.min(page, pages - 1);
  const first = page * data.page;
  const shown = rows.slice(first, first + data.page);
  list.replaceChildren(...shown.map(card));
  howMany.textContent = rows.length
    ? `Bones ${first + 1} to ${first + shown.length} of ${rows.length}${rows.length < data.rows.length ? ` chosen from ${data.rows.length}` : ""}, the doubtful first.`
    : "No bone fits all that is chosen.";
  for (const pager of pagers) {
    pager.querySelector(".previous").disabled = page === 0;
    pager.querySelector(".next").disabled = page >= pages - 1;
    pager.querySelector(".place").textContent = `page ${page + 1} of ${pages}`;
  }
  if (focus) document.getElementById("bones").scrollIntoView();
}

fillSorted("species", data.species);
fillSorted("water", data.water);
fillSorted("reason", data.code);
fillSorted("scan", data.scan);
fill("state", data.states);
form.hidden = false;
form.addEventListener("submit", (event) => event.preventDefault());
form.addEventListener("input", () => {
  page = 0;
  show(false);
});
form.addEventListener("reset", () => setTimeout(() => {
  page = 0;
  show(false);
}));
for (const pager of pagers) {
  pager.hidden = data.rows.length <= data.page;
  pager.querySelector(".previous").addEventListener("click", () => { page -= 1; show(true); });
  pager.querySelector(".next").addEventListener("click", () => { page += 1; show(true); });
}
for (const link of document.querySelectorAll("[data-show-reason], [data-show-scan]")) {
  link.addEventListener("click", () => {
    form.reset();
    const [name, texts, text] = link.dataset.showReason ? ["reason", data.code, link.dataset.showReason] : ["scan", data.scan, link.dataset.showScan];
    setTimeout(() => {
      form.elements[name].value = String(texts.indexOf(text));
      page = 0;
      show(false);
    });
  });
}
show(false);
