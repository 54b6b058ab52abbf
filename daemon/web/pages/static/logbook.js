// Logbook: runs looked through a page at a time; one run with its pictures, papers and events.
import { $, Refusal, attempt, begin, bytes, clock, el, fill, get, jpegOf, kept, picture, post, readingLine, settingsLine, show, text, until, words } from "./core.js";
import { mark, prepareMarking } from "./marking.js";
import { bars } from "./stopbar.js";

const t = words.logbook, PAGE = 48;
const number = Number(new URLSearchParams(location.search).get("run")) || null;
let before = null, eventsAfter = 0, outline = null, may = false;
const picked = new Map();

const day = (when) => `${new Date(when).toLocaleDateString([], { day: "numeric", month: "short", year: "numeric" })}, ${clock(when)}`;
const counted = (count) => (count === 1 ? t.picture : fill(t.pictures, { count }));

let looking = 0;  // only the newest question may fill the list

async function listRuns(from = null) {
  const mine = ++looking, asked = new URLSearchParams({ limit: 50 });
  if ($("search").value.trim()) asked.set("search", $("search").value.trim());
  if ($("state").value) asked.set("state", $("state").value);
  if ($("since").value) asked.set("since", new Date(`${$("since").value}T00:00`).toISOString());
  if ($("until").value) asked.set("until", new Date(Date.parse(new Date(`${$("until").value}T00:00`)) + 864e5).toISOString());
  for (const [id, name] of [["goal", "goal"], ["subject-name", "subject"], ["kit", "kit"], ["verdict", "verdict"]]) if ($(id).value.trim()) asked.set(name, $(id).value.trim());
  if (from) asked.set("before", from);
  let told = await get(`/api/runs?${asked}`);
  const refused = [];
  show($("judging"), asked.has("verdict"));
  if (asked.has("verdict") && told.unjudged.length) {
    for (const [at, run] of told.unjudged.entries()) {
      if (mine !== looking) return;
      text($("judging"), fill(t.judging, { run, left: told.unjudged.length - at }));
      await until("GET", `/api/runs/${run}/verdicts`).catch(() => refused.push(run));
    }
    told = await get(`/api/runs?${asked}`);
  }
  if (mine !== looking) return;
  text($("judging"), `${t.judged_page} ${refused.length ? fill(t.unjudged, { runs: refused.join(", ") }) : ""}`);
  before = told.next;
  show($("older"), before !== null);
  show($("newer"), from !== null);
  $("run-list").replaceChildren(...(told.runs.length ? told.runs.map((run) => el("li", {}, el("a", { href: `/logbook?run=${run.run}` },
    el("span", { class: "number" }, String(run.run)), el("span", {}, run.title), el("span", {}, t[run.state] ?? run.state),
    el("span", { class: "soft" }, [day(run.created), counted(run.pictures), run.camera, run.verdicts ? answered(run.verdicts) : ""].filter(Boolean).join(" · "))))) : [el("li", {}, t.empty)]));
}

const answered = (counts) => Object.entries(counts).map(([answer, count]) => `${count} ${words.answers[answer]}`).join(", ");

async function openRun() {
  show($("runs"), false);
  show($("one"), true);
  const run = await get(`/api/runs/${number}`);
  text($("run-title"), `${run.run} · ${run.title}`);
  document.title = `${run.title} · ${words.page.name}`;
  text($("run-facts"), `${t[run.state] ?? run.state} · ${day(run.created)} · ${counted(run.counts.frames.picture ?? 0)} · ${bytes(run.counts.bytes)} · ${run.camera}`);
  sheets = run.sheets;
  lesson = run.lesson;
  downloads();
  text($("verdicts-count"), t.judge_help);
  $("judge").onclick = (event) => attempt(judge, event.currentTarget);
  outline = await get(`/api/runs/${number}/outline`).catch(() => null);
  await Promise.all([listFrames(0), listEvents()]);
  if (may) {
    listStudents();
    $("student-files").onchange = (event) => attempt(() => addStudents(event));
    $("lesson-form").onsubmit = (event) => { event.preventDefault(); attempt(makeLesson, $("make-lesson")); };
    await prepareMarking(number, outline?.subjects ?? []);
  }
}

let judged = new Map();
const cards = new Map();  // where the verdicts on each picture that is shown stand
/** Verdicts on a picture stand with it: they are told of its step by number. */
const verdictsOf = (frame) => (frame.attempt_state === "kept" && frame.step ? judged.get(`step ${parseInt(frame.step, 10)}`) ?? [] : [])
  .map((one) => el("p", { "data-answer": one.answer }, `${one.kind}: `, el("strong", {}, words.answers[one.answer])));

async function judge() {
  text($("verdicts-count"), t.judge_now);
  let told;
  try { told = await until("GET", `/api/runs/${number}/verdicts`); } catch (error) { text($("verdicts-count"), t.judge_help); throw error; }
  judged = Map.groupBy(told.verdicts, (one) => one.about);
  for (const [node, frame] of cards) node.replaceChildren(...verdictsOf(frame));
  const order = ["not shown", "can't tell", "shown"], sorted = [...told.verdicts].sort((a, b) => order.indexOf(a.answer) - order.indexOf(b.answer));
  text($("verdicts-count"), told.counts.shown === told.verdicts.length ? t.judge_all : answered(told.counts));
  $("verdicts").replaceChildren(...sorted.map((one) => el("li", { "data-answer": one.answer }, el("strong", {}, words.answers[one.answer]),
    el("span", {}, `${one.about} · ${one.kind}: ${one.words}`, one.again ? el("span", { class: "again" }, `→ ${one.again.replace(`${one.about}: `, "")}`) : null))));
}

// Kits of students stay in this browser: a class is the same from week to week.
let students = JSON.parse(kept.get("students") ?? "[]");
function listStudents() {
  $("students").replaceChildren(...(students.length ? students.map((one, place) => el("li", {}, el("span", {}, one.name),
    el("button", { type: "button", "aria-label": fill(t.students_remove, { name: one.name }), onclick: () => keepStudents(students.toSpliced(place, 1)) }, words.plan.schedules_remove))) : [el("li", { class: "soft" }, t.students_none)]));
}
function keepStudents(all) { students = all; kept.set("students", JSON.stringify(all)); listStudents(); }
async function addStudents(event) {
  const fresh = await Promise.all([...event.target.files].map(async (file) => ({ name: file.name.replace(/\.ya?ml$/i, "").slice(0, 100), text: await file.text() })));
  event.target.value = "";
  keepStudents([...students.filter((old) => !fresh.some((one) => one.name === old.name)), ...fresh]);
}
async function makeLesson() {
  text($("lesson-said"), t.lesson_now);
  const order = { students: Object.fromEntries(students.map((one) => [one.name, one.text])), verdicts: $("with-verdicts").checked, paper: $("paper").value };
  try {
    const told = await until("POST", `/api/runs/${number}/lesson`, order);
    lesson = told.files;
    downloads();
    text($("lesson-said"), [t.lesson_done, told.judged ? fill(t.lesson_judged, { count: told.judged }) : "", told.missing.length ? fill(t.lesson_missing, { numbers: told.missing.join(", ") }) : ""].filter(Boolean).join(" "));
  } catch (error) { text($("lesson-said"), error instanceof Refusal ? error.message : words.page.failed); }
}

let sheets = [], lesson = [];
function downloads() {
  const pages = sheets.filter((one) => one.endsWith(".png")).sort();
  $("sheets").replaceChildren(...[
    may ? el("button", { type: "button", id: "draw", onclick: async (event) => {
      const told = await attempt(() => post(`/api/runs/${number}/sheet`, {}), event.currentTarget);
      if (told) { sheets = [...told.png, told.pdf]; downloads(); }
    } }, t.sheet) : null,
    ...sheets.filter((one) => one.endsWith(".pdf")).map((one) => el("a", { class: "button", href: one, download: true }, t.sheet_pdf)),
    ...pages.map((one, page) => el("a", { class: "button", href: one, download: true }, fill(t.sheet_png, { page: page + 1 }))),
    !may && !sheets.length && !lesson.length ? el("p", { class: "soft" }, t.papers_none) : null,
  ].filter(Boolean));
  $("downloads").replaceChildren(...lesson.map((one) => el("a", { class: "button", href: one, download: true }, one.endsWith(".zip") ? t.lesson_zip : t.lesson_side)));
}

const stepOf = (id) => outline?.steps.find((step) => step.id === id) ?? outline?.extra.find((step) => step.id === id);

function card(frame, width, wide) {
  const image = el("img", { loading: "lazy", decoding: "async" }), file = jpegOf(frame), step = stepOf(frame.step);
  picture(image, frame, width, `${frame.goal ?? frame.role} ${settingsLine(frame.settings)}`);
  return [el("div", { class: "mat" }, image), el("p", {}, el("strong", {}, settingsLine(frame.settings) || frame.role)),
    frame.goal ? el("p", { class: "soft" }, frame.goal) : null,
    el("p", { class: "soft" }, `${readingLine(frame)} · ${frame.verified}${frame.attempt_state && frame.attempt_state !== "kept" ? ` · ${frame.attempt_state}` : ""}`),
    wide && step?.bar ? el("div", { class: "bars" }, ...bars([{ bar: step.bar }], { width: 320 })) : null,
    file && !wide ? el("a", { class: "button", href: `/api/files/${file.id}`, download: file.path.split("/").pop() }, t.file) : null];
}

async function listFrames(from) {
  const role = $("role").value;
  const told = await get(`/api/runs/${number}/frames?limit=${PAGE}&after=${from}${role ? `&role=${role}` : ""}`);
  cards.clear();
  const verdicts = (frame) => { const node = el("div", { class: "judged" }, ...verdictsOf(frame)); cards.set(node, frame); return node; };
  $("frames").replaceChildren(...told.frames.map((frame) => el("li", { "data-frame": frame.frame }, ...card(frame, 320, false).filter(Boolean), verdicts(frame),
    el("div", { class: "row" }, el("label", { class: "tick" }, el("input", { type: "checkbox", checked: picked.has(frame.frame), onchange: (event) => pick(frame, event.target) }), el("span", {}, t.compare)),
      may && jpegOf(frame) ? el("button", { type: "button", onclick: () => mark(frame) }, t.mark) : null))));
  show($("first"), from > 0);
  show($("more"), told.next !== null);
  $("more").onclick = () => { attempt(() => listFrames(told.next)); $("run-title").focus(); };
}

function pick(frame, box) {
  if (box.checked && picked.size >= 4) { box.checked = false; return; }
  if (box.checked) picked.set(frame.frame, frame); else picked.delete(frame.frame);
  text($("picked"), picked.size ? fill(t.picked, { count: picked.size }) : t.compare_help);
  $("side").disabled = picked.size < 2;
  if (!$("beside").hidden) sideBySide();
}
function sideBySide() {
  show($("beside"), picked.size > 1);
  $("beside").replaceChildren(...[...picked.values()].map((frame) => el("div", {}, ...card(frame, 1280, true).filter(Boolean))));
}

const eventText = (event) => (event.kind === "command" ? fill(t.asked, { what: event.data.verb }) : event.kind === "answered" ? fill(t.answered, { what: event.text }) : event.text);

async function listEvents() {
  const told = await get(`/api/runs/${number}/events?limit=100&after=${eventsAfter}`);
  $("events").append(...told.events.map((event) => el("li", {}, el("time", { datetime: event.at }, clock(event.at)), el("span", {}, eventText(event)))));
  eventsAfter = told.next ?? eventsAfter;
  show($("more-events"), told.next !== null);
}

begin(async ({ live, role }) => {
  may = role === "control";
  $("search-form").onsubmit = (event) => { event.preventDefault(); attempt(() => listRuns()); };
  $("older").onclick = () => attempt(() => listRuns(before));
  $("newer").onclick = () => attempt(() => listRuns());
  $("role").onchange = () => attempt(() => listFrames(0));
  $("first").onclick = () => attempt(() => listFrames(0));
  $("side").onclick = sideBySide;
  $("more-events").onclick = () => attempt(listEvents);
  /** What is hidden from the class is said and waited for, not told as a fault. */
  const first = async () => {
    const veiled = !may && (await get("/api/board")).hidden;
    show($("veiled"), veiled);
    show($("runs"), !veiled);
    if (!veiled) await (number ? openRun() : listRuns());
  };
  await attempt(first);
  live.on(["state"], (kind, state) => { if (!$("veiled").hidden && !state.board.hidden) location.reload(); });
  let due = null;
  live.on(["run-started", "run-done", "frame"], () => {
    clearTimeout(due);
    due = setTimeout(() => { if (!number) { if (!$("newer").hidden) return; attempt(() => listRuns()); } }, 800);
  });
});
