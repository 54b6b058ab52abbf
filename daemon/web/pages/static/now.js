// Now: what the rig is doing, and what can be asked of it.
import { $, whenKept, ask, attempt, begin, bytes, clock, duration, el, fill, get, leaveBy, newId, picture, plainId, post, readingLine, say, setLeaving, settingsLine, show, signed, sure, svg, swap, text, verbs, words } from "./core.js";
import { beginWatch, watch } from "./lapse.js";
import { barsInto } from "./stopbar.js";

const TREND = 300;
let state = null, outline = null, frames = [], power = null, last = null, may = false;

const isKept = (frame) => frame.role === "picture";
const newest = () => frames.findLast(isKept) ?? null;
const runner = () => state?.job?.runner ?? (state?.job ? "opening" : null);

async function command(verb, data = {}, id = newId(), button = null) {
  const told = await attempt(() => post(`/api/runs/${state.run}/commands`, { id, verb, data }), button);
  if (told) say(fill(words.now.sent, { what: state.verbs[verb] }));
}

async function readAll() {
  state = await get("/api/state");
  const listed = state.run || (!may && state.board.hidden) ? null : await get("/api/runs?limit=1");
  last = listed?.runs[0] ?? null;
  const run = state.run ?? last?.run ?? null;
  power = await get("/api/power");
  frames = [];
  if (run) {
    const end = Number(state.at.split("-")[1]);
    frames = (await get(`/api/runs/${run}/frames?after=${Math.max(0, end - TREND)}&limit=${TREND}`)).frames;
  }
  await readOutline(run);
  render();
}
async function readOutline(run) {
  try { outline = run ? await get(`/api/runs/${run}/outline`) : null; } catch { outline = null; }
}

function render() {
  const at = runner();
  const title = at ? words.now[`state_${at}`] : words.now.rest;
  text($("what"), title);
  const progress = state.progress ?? {};
  text($("what-more"), at ? [outline?.title, progress.goal].filter(Boolean).join(" · ") : open_() ? fill(words.now.resume_why, { run: open_().run }) : words.now.rest_todo);
  document.body.classList.toggle("bare", !at && !newest());
  renderQuestion();
  renderPicture();
  renderNext(at);
  renderFacts(at);
  renderTrend();
  watch(outline?.steps.some((step) => step.kind === "timelapse") ? outline.run : null);
  if (may) { renderThumbs(at); renderEnding(at); }
}

/** A run that stopped before its end, and is to be gone on with. */
const open_ = () => (!state.job && last && ["paused", "interrupted"].includes(last.state) ? last : null);

function renderRest() {
  const open = open_();
  const resume = (label, manners, main) => el("button", { type: "button", class: main, "data-resume": manners.cue ? "cue" : "on", onclick: (event) => attempt(() => post(`/api/runs/${open.run}/resume`, { id: newId(), operator: "page", manners }), event.currentTarget) }, label);
  swap($("thumbs"), ["rest", open?.run], () => (open
    ? [resume(words.now.resume, {}, "main"), resume(words.now.resume_cues, { cue: true }, "")]
    : [el("a", { class: "button", href: "/plan" }, words.now.to_plan), el("a", { class: "button", href: "/logbook" }, words.now.to_logbook)]));
}

/** What is seldom wanted, out of the thumb's way. */
function renderEnding(at) {
  const can = state.run ? verbs[at] ?? [] : [], waits = state.asking?.kind === "cue" ? state.asking.id : null;
  swap($("ending"), [can.includes("stop-now"), waits], () => [
    waits && can.includes("skip") ? el("button", { type: "button", id: "skip", onclick: async () => {
      if (await sure(words.now.sure_skip)) command("skip", {}, plainId("skip", waits));
    } }, words.now.skip) : null,
    can.includes("stop-now") ? el("button", { type: "button", id: "stop-now", onclick: stopNow }, words.now.stop_now) : null]);
}

function renderQuestion() {
  const asking = state.asking && state.asking.kind !== "cue" ? state.asking : null;
  show($("asking"), Boolean(asking));
  show($("what").parentElement, !asking);
  if (!asking) return;
  text($("asking-kind"), !may ? words.now.watch_asking : asking.kind === "caution" ? words.now.caution : words.now.state_asking);
  text($("asking-text"), asking.text);
  text($("asking-why"), asking.why ? `${words.now.why}: ${asking.why}` : "");
  if (!may) return;
  const labels = { done: words.now.done, read: words.now.read, skip: words.now.skip_answer, stop: words.now.stop_answer };
  swap($("asking-choices"), asking.id, () => asking.choices.map((choice, place) => el("button", {
    type: "button", class: place === 0 ? "main" : "",
    onclick: async (event) => {
      const button = event.currentTarget;
      if (choice === "skip" && !(await sure(words.now.sure_skip))) return;
      command("answer", { question: asking.id, answer: choice }, plainId("answer", asking.id, choice), button);
    },
  }, labels[choice] ?? choice)));
}

function stepOf(id) {
  return outline?.steps.find((step) => step.id === id) ?? outline?.extra?.find((step) => step.id === id) ?? null;
}

function renderPicture() {
  const frame = newest();
  picture($("last-image"), frame, innerWidth * devicePixelRatio > 900 ? 1280 : 640, frame?.hidden ? words.board.hidden : frame ? `${frame.goal ?? ""} ${settingsLine(frame.settings)}` : words.now.no_picture);
  swap($("last-caption"), [frame?.frame, frame?.hidden, frame?.reading?.measured_stops, frame?.verified], () => (frame
    ? frame.hidden ? [el("strong", {}, words.board.hidden)] : [el("strong", {}, settingsLine(frame.settings)), el("br"), readingLine(frame), frame.verified === "as planned" ? "" : ` · ${frame.verified}`]
    : [words.now.no_picture]));
  const step = stepOf(state.progress?.step)?.bar ? stepOf(state.progress.step) : stepOf(frame?.step);
  swap($("bar"), [outline?.hidden, step?.id, outline?.revision, outline?.run, $("bar").clientWidth], () => {
    if (!step?.bar) return [outline?.hidden ? words.board.veiled : words.page.none];
    barsInto($("bar"), [{ bar: step.bar }]);
    return [...$("bar").childNodes];
  });
}

function remaining() {
  if (!outline) return [];
  const steps = outline.steps, isShot = new Set(frames.filter((frame) => frame.attempt_state === "kept").map((frame) => frame.step));
  const at = steps.findIndex((step) => step.id === state.progress?.step);
  // A picture that no plan had, or a retake: what comes next is what follows the last one shot.
  const here = at >= 0 ? at : steps.findLastIndex((step) => isShot.has(step.id)) + 1;
  return steps.slice(here).filter((step) => !isShot.has(step.id));
}

function renderNext(at) {
  const todo = at && at !== "ending" ? remaining() : [];
  swap($("next"), [outline?.hidden, todo.slice(0, 3).map((step) => step.id), at, Math.floor(Date.now() / 30000)], () => {
    if (outline?.hidden) return el("li", {}, words.board.veiled);
    if (!todo.length) return el("li", {}, words.now.next_none);
    let after = 0, hands = state.asking !== null;
    return todo.slice(0, 3).map((step, place) => {
      const when = hands && place ? words.now.after_hands : fill(words.now.at_about, { time: clock(Date.now() + after * 1000) });
      if (step.kind === "operator") hands = true;
      after += step.seconds ?? 0;
      const what = step.kind === "expose" ? settingsLine(step.settings) : step.text ?? step.caption;
      return el("li", {}, el("span", {}, what.length > 110 ? `${what.slice(0, 108)}…` : what), el("span", {}, when));
    });
  });
}

function renderFacts(at) {
  const facts = [];
  if (at && outline?.hidden) {
    const { done, total } = state.progress ?? {};
    facts.push([words.now.pictures, total ? fill(words.now.progress, { done: done ?? 0, total }) : "–"], [words.now.left, "–"], [words.now.hands, "–"]);
  } else if (at) {
    const todo = remaining(), hands = todo.filter((step) => step.kind === "operator").length;
    const seconds = todo.filter((step) => step.kind !== "operator").reduce((sum, step) => sum + (step.seconds ?? 0), 0);
    const pictures = outline?.steps.filter((step) => step.kind === "expose") ?? [];
    const shot = new Set(frames.filter((frame) => isKept(frame) && frame.attempt_state === "kept").map((frame) => frame.step));
    const done = pictures.filter((step) => shot.has(step.id)).length;
    facts.push([words.now.pictures, fill(words.now.progress, { done, total: pictures.length })]);
    facts.push([words.now.left, fill(words.now.left_value, { time: duration(seconds) })]);
    facts.push([words.now.hands, hands === 0 ? words.page.none : hands === 1 ? words.now.left_hand : fill(words.now.left_hands, { count: hands })]);
  } else if (newest()) for (const name of [words.now.pictures, words.now.left, words.now.hands]) facts.push([name, "–"]);  // they keep their place
  const when = power?.at ? ` · ${fill(words.now.as_of, { time: clock(power.at) })}` : "";
  facts.push([words.now.battery, power?.battery === null || !power ? words.now.untold : `${power.battery} %${when}`]);
  facts.push([words.now.card, power?.card_free_bytes ? `${bytes(power.card_free_bytes)}${when}` : words.now.untold]);
  facts.push([words.now.disk, bytes(power?.free_bytes)]);
  if (leaveBy()) facts.push([words.now.leave_time, fill(words.now.leave_soon, { time: clock(leaveBy()) })]);
  if ($("leave-clear")) show($("leave-clear"), Boolean(leaveBy()));
  swap($("facts"), facts, () => facts.map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value))));
}

function renderTrend() {
  const points = frames.filter((frame) => typeof frame.reading?.residual_stops === "number")
    .map((frame) => [Date.parse(frame.stored_at), frame.reading.residual_stops]);
  swap($("trend"), points, () => {
    if (!points.length) return el("p", { class: "soft" }, words.now.light_none);
    const values = points.map((point) => point[1]), low = Math.min(...values), high = Math.max(...values);
    const reach = Math.max(0.5, -low, high), first = points[0][0], span = Math.max(points.at(-1)[0] - first, 1);
    const x = (when) => 2 + 96 * (when - first) / span, y = (value) => 40 - 34 * value / reach;
    const told = fill(words.now.light_trend, { now: signed(values.at(-1)), low: signed(low), high: signed(high) });
    const lines = points.slice(1).map((point, place) => svg("line", { x1: `${x(points[place][0])}%`, y1: y(points[place][1]), x2: `${x(point[0])}%`, y2: y(point[1]), class: "s-ink", "stroke-width": 2 }));
    return [
      svg("svg", { height: 80, width: "100%", role: "img", "aria-label": told },
        svg("line", { x1: 0, x2: "100%", y1: 40, y2: 40, class: "s-ink", "stroke-dasharray": "2 5" }), ...lines,
        svg("circle", { cx: `${x(points.at(-1)[0])}%`, cy: y(values.at(-1)), r: 4, class: "f-ink" })),
      el("p", { class: "soft" }, told),
    ];
  });
}

async function stopNow() {
  if (await sure(words.now.sure_stop_now)) command("stop-now");
}

function renderThumbs(at) {
  show($("thumbs"), at !== "asking");
  if (!at) { renderRest(); return; }
  if (!state.run || at === "asking") { swap($("thumbs"), "none", () => []); return; }
  const can = verbs[at] ?? [], frame = newest(), question = state.asking;
  swap($("thumbs"), [at, frame?.frame, question?.id, state.run], () => {
    const button = (verb, label, press, main = false) => el("button", { type: "button", "data-verb": verb, class: main ? "main" : "", disabled: !can.includes(verb) || (verb === "retake" && !frame), onclick: (event) => press(event.currentTarget) }, label);
    return [
      at === "paused" ? button("go-on", words.now.go_on, (b) => command("go-on", {}, newId(), b), true) : button("pause", words.now.pause, (b) => command("pause", {}, newId(), b)),
      // The id names the picture: pressed on two phones it is one retake.
      button("retake", words.now.retake, (b) => command("retake", frame.step ? { step: frame.step } : {}, plainId("retake", state.run, frame.frame), b)),
      button("stop", words.now.stop, async (b) => { if (await sure(words.now.sure_stop)) command("stop", {}, newId(), b); }),
      button("cue", words.now.cue, (b) => command("cue", {}, plainId("cue", question?.id), b), at === "cueing"),
    ];
  });
}

begin(async ({ live, role }) => {
  may = role === "control";
  let again = null;
  beginWatch(live);
  live.fresh(readAll);
  live.on(["state"], async (kind, data) => {
    const before = state;
    state = { ...(state ?? {}), ...data };
    if (before && (before.run !== data.run || (!may && JSON.stringify(before.board) !== JSON.stringify(data.board)))) { await readAll(); return; }
    render();
  });
  live.on(["frame"], (kind, data) => {
    const place = frames.findIndex((frame) => frame.frame === data.frame);
    if (place >= 0) frames[place] = data; else frames.push(data);
    frames = frames.slice(-TREND);
    render();
  });
  whenKept(live, () => frames, render);
  live.on(["retargeted", "frame-retaken", "frame-improvised", "run-started", "light-metered", "command"], () => {
    clearTimeout(again);
    again = setTimeout(async () => { await readOutline(state?.run); render(); }, 150);
  });
  live.on(["command-refused"], (kind, data) => say(`${words.page.refused}: ${data.text}`));
  document.addEventListener("leaving", () => { if (state) render(); });
  addEventListener("resize", () => { if (state) render(); });
  setInterval(() => { if (state) render(); }, 30000);
  setInterval(async () => { // readings follow their frames
    for (const frame of frames.slice(-3).filter((one) => typeof one.reading?.measured_stops !== "number")) {
      const told = await get(`/api/frames/${frame.frame}`).catch(() => null), spot = frames.indexOf(frame);
      if (told && spot >= 0) { frames[spot] = told; render(); }
    }
  }, 1500);
  if (may) {
    const set = async (at) => { const told = await attempt(() => ask("PUT", "/api/leave", { at })); if (told) setLeaving(await get("/api/leave")); };
    $("leave-set").onclick = () => {
      const [hours, minutes] = $("leave-time").value.split(":").map(Number);
      if (Number.isNaN(hours) || minutes === undefined) { $("leave-time").focus(); return; }
      const at = new Date();
      at.setHours(hours, minutes, 0, 0);
      if (at < new Date(Date.now() - 60000)) at.setDate(at.getDate() + 1);
      set(at.toISOString());
    };
    $("leave-clear").onclick = () => set(null);
  }
});
