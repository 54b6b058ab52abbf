// Plan: a brief written or opened, its faults beside the text, the steps drawn, a run begun or scheduled.
import { $, Refusal, ask, attempt, begin, clock, distance, duration, el, fill, get, kept, newId, post, say, settingsLine, show, sure, svg, text, until, words } from "./core.js";
import { bars } from "./stopbar.js";

const t = words.plan;
let name = "brief.yaml", compiled = null, source = null, place = null, drawn = null;

const brief = () => ({ text: $("brief").value, name });

function numberLines(faulty = new Set()) {
  const count = $("brief").value.split("\n").length;
  $("gutter").replaceChildren(...Array.from({ length: count }, (none, at) => el("li", { class: faulty.has(at + 1) ? "fault" : "" }, `${faulty.has(at + 1) ? "▸" : ""}${at + 1}`)));
  $("gutter").scrollTop = $("brief").scrollTop;
}
function goTo(line) {
  const area = $("brief"), lines = area.value.split("\n"), start = lines.slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
  area.focus();
  area.setSelectionRange(start, start + (lines[line - 1] ?? "").length);
  area.scrollTop = Math.max(0, (line - 4) * parseFloat(getComputedStyle(area).lineHeight));
}
function showFaults(error) {
  const complaints = error.tree.complaints ?? [];
  numberLines(new Set(complaints.map((one) => one.line)));
  const head = complaints.length ? (complaints.length === 1 ? t.fault : fill(t.faults, { count: complaints.length })) : error.message;
  $("faults").replaceChildren(el("p", {}, el("strong", {}, head)), ...complaints.map((one) => el("button", { type: "button", "data-line": one.line, onclick: () => goTo(one.line) },
    el("strong", {}, `${fill(t.line, { line: one.line })}: ${one.field}`), el("br"), `${t.found} ${one.found}; ${t.allowed} ${one.allowed}. ${one.advice ?? ""}`)));
}

async function compile() {
  kept.set("brief", $("brief").value);
  $("faults").replaceChildren();
  numberLines();
  show($("result"), false);
  $("steps").replaceChildren();
  compiled = drawn = null;
  show($("rehearsing"), false);
  show($("unknown"), false);
  text($("rehearse-said"), "");
  source = brief();
  try { compiled = await post("/api/outline", source); } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    if (error.tree.unreachable) showUnreachable(error.tree.unreachable);
    showFaults(error);
    return;
  }
  showPlan();
  showLight();
}

function listed(node, title, items) {
  node.replaceChildren(...(items.length ? [el("h3", {}, title), el("ul", { class: "plainlist" }, ...items.map((one) => el("li", {}, one)))] : []));
}
function showUnreachable(found) {
  $("unreachable").replaceChildren(...(found.length ? [el("h3", {}, t.out_of_reach), ...found.map((one) => el("div", { class: "noted" }, el("strong", {}, one.goal),
    el("ul", {}, ...one.reasons.map((reason) => el("li", {}, reason))), one.remedies.length ? el("p", {}, el("strong", {}, t.remedies)) : null,
    el("ul", {}, ...one.remedies.map((remedy) => el("li", {}, remedy)))))] : []));
}

function showPlan() {
  const { estimate } = compiled;
  text($("plan-title"), compiled.title);
  text($("plan-cost"), fill(t.cost, { frames: estimate.frames, hands: estimate.operator_actions, time: duration(estimate.duration_s ?? estimate.exposure_s) }));
  show($("reachable-label"), compiled.unreachable.length > 0);
  showUnreachable(compiled.unreachable);
  const cautions = [...new Set([...compiled.cautions, ...compiled.steps.flatMap((step) => step.cautions)])];
  listed($("cautions"), t.cautions, cautions);
  listed($("bag"), t.bag, [...compiled.take, ...compiled.may_stay.map((one) => `${t.may_stay}: ${one}`)]);
  show($("result"), true);
  show($("rehearsing"), compiled.steps.some((step) => step.kind === "expose"));
  drawSteps();
  $("plan-title").focus({ preventScroll: innerWidth > 960 });
}

function drawSteps() {
  if (!compiled) return;
  const width = $("steps").clientWidth || 320, half = innerWidth >= 960 ? width * .55 : width;
  const groups = new Map(compiled.groups.map((group) => [group.id, group])), seen = new Set(), made = [el("h2", {}, t.steps)];
  for (const step of compiled.steps) {
    const group = groups.get(step.group);
    if (group && !seen.has(group.id)) {
      seen.add(group.id);
      made.push(el("div", { class: "group" }, el("h3", {}, group.title), ...group.left_out.map((one) => el("p", { class: "soft" }, `${t.left_out}: ${one}`))));
    }
    made.push(step.kind === "expose" ? exposing(step, half) : other(step));
  }
  made.push(el("p", { class: "legend" }, words.bar.legend), ...compiled.notes.map((note) => el("p", {}, note)));
  $("steps").replaceChildren(...made);
}
function other(step) {
  const kind = { operator: t.hands, control: t.meter, timelapse: t.lapse }[step.kind];
  return el("article", { class: "step", "data-step": step.id }, el("h3", {}, `${step.id.split("-")[0]} · ${kind}`), el("p", { class: "wide" }, step.text ?? step.caption), step.why ? el("p", { class: "soft wide" }, step.why) : null);
}
function exposing(step, width) {
  const reference = step.reference === step.id ? ` · ${t.reference}` : "";
  return el("article", { class: "step", "data-step": step.id },
    el("h3", {}, `${step.id.split("-")[0]} · ${settingsLine(step.settings)}${reference}`),
    el("div", { class: "bars" }, ...bars([{ bar: step.bar }], { width }), el("p", { class: "soft" }, step.caption)),
    el("div", { class: "drawn" }, ...rehearsed(step), ...depth(step), ...smear(step)));
}
function rehearsed(step) {
  const picture = drawn?.pictures[step.id];
  if (!picture) return [];
  return [el("figure", { class: "rehearsed" }, el("div", { class: "mat" }, el("img", { src: picture, alt: fill(t.rehearse_alt, { step: `${step.goal} ${settingsLine(step.settings)}` }) })),
    el("figcaption", { class: "soft" }, `${t.rehearse_head}. ${drawn.beware[step.id] ? fill(t.rehearse_not, { what: drawn.beware[step.id] }) : ""}`))];
}
async function rehearse() {
  const asked = compiled;
  text($("rehearse-said"), t.rehearse_now);
  let told;
  try { told = await until("POST", "/api/rehearsal", source); } catch (error) {
    text($("rehearse-said"), error instanceof Refusal ? error.message : words.page.failed);
    return;
  }
  if (asked !== compiled) return;  // another brief was compiled meanwhile
  drawn = told;
  text($("rehearse-said"), "");
  $("unknown").replaceChildren(el("h3", {}, t.rehearse_unknown), el("ul", { class: "plainlist" }, ...told.unknown.map((one) => el("li", {}, one))), el("p", { class: "soft" }, told.mapped.join("; ")));
  show($("unknown"), true);
  drawSteps();
}

/** What begins by itself, when, what came of it; taken out of force after a question. */
async function listSchedules() {
  const { schedules } = await get("/api/schedule"), when = (at) => `${new Date(at).toLocaleDateString([], { weekday: "short", day: "numeric", month: "short" })}, ${clock(at)}`;
  $("schedules").replaceChildren(...(schedules.length ? schedules.map((one) => {
    const title = one.title || `${t.schedule} ${one.id}`, [last] = one.outcomes;
    const remove = async (event) => {
      if (!await sure(fill(t.schedules_sure, { title }))) return;
      if (await attempt(() => ask("DELETE", `/api/schedule/${one.id}`), event.target)) { say(t.schedules_gone); await attempt(listSchedules); $("schedules-title").focus(); }
    };
    return el("li", { "data-schedule": one.id }, el("div", {}, el("strong", {}, title), el("p", {}, `${one.words}; ${one.next ? fill(t.schedules_next, { time: when(one.next) }) : t.schedules_over}; ${fill(t.schedules_late, { minutes: one.late_min })}`),
      ...one.conflicts.map((other) => el("p", {}, fill(t.schedules_meets, { title: other.title || `${t.schedule} ${other.schedule}`, time: when(other.at) }))),
      last ? el("p", { class: "soft" }, fill(t.schedules_last, { outcome: last.outcome, time: when(last.due), why: last.why })) : null),
    el("button", { type: "button", "aria-label": fill(t.schedules_remove_label, { title }), onclick: remove }, t.schedules_remove));
  }) : [el("li", {}, t.schedules_none)]));
}

/** Near and far limits against the subjects, all distances from the camera on one scale. */
function depth(step) {
  const { near_m: near, far_m: far } = step.predicted, subjects = compiled.subjects;
  const reach = Math.max(...subjects.map((one) => one.distance_m + one.depth_m / 2), step.settings.focus.distance_m) * 1.18;
  const x = (metres) => `${(4 + 94 * Math.min(metres, reach) / reach).toFixed(2)}%`, end = far === null || far > reach ? reach : far;
  const told = fill(t.sharp, { near: distance(near), far: distance(far) });
  const marks = subjects.flatMap((one, at) => [
    svg("line", { x1: x(one.distance_m), x2: x(one.distance_m), y1: 18, y2: 46, class: "s-ink", "stroke-width": 2 }),
    svg("text", { x: x(one.distance_m), y: at % 2 ? 13 : 62, "text-anchor": one.distance_m > reach * .8 ? "end" : "middle", "font-size": 14 }, one.name)]);
  const band = svg("rect", { x: x(near), y: 24, height: 16, width: `${Math.max(.4, 94 * (end - near) / reach).toFixed(2)}%`, class: "f-ink", "data-near": near, "data-far": far ?? "" });
  return [svg("svg", { height: 66, width: "100%", role: "img", "aria-label": `${told}. ${t.dof_scale}` },
    svg("line", { x1: "4%", x2: "98%", y1: 32, y2: 32, class: "s-ink" }), svg("path", { d: "M2 26h9v12h-9z", class: "f-ink" }), band, ...marks), el("p", { class: "soft" }, told)];
}
/** How long the smear of each moving subject is against the height of the frame. */
function smear(step) {
  return Object.entries(step.predicted.smear_share).map(([subject, share]) => {
    const told = fill(t.smear, { subject, share: share < .0005 ? `${(share * 100).toPrecision(1)} %` : `${(share * 100).toFixed(share < .01 ? 2 : 1)} %` });
    const height = 48, long = share * height;
    return el("div", { class: "row" }, svg("svg", { height: height + 2, width: 84, viewBox: `0 0 84 ${height + 2}`, role: "img", "aria-label": `${told}. ${t.smear_scale}`, class: "tiny" },
      svg("rect", { x: 1, y: 1, width: height * 1.5, height, class: "s-ink" }), svg("line", { x1: 36, x2: 36, y1: 1, y2: 1 + Math.min(Math.max(long, .6), height), class: "s-ink", "stroke-width": 4, "data-share": share })),
    el("span", { class: "soft" }, told));
  });
}

async function showLight() {
  $("day").replaceChildren();
  let day;
  try { day = await post("/api/light", brief()); } catch { $("day").replaceChildren(el("p", { class: "soft" }, t.light_none)); return; }
  place = day.place;
  const at = (when) => { const [hours, minutes] = when.slice(11, 16).split(":").map(Number); return when.slice(0, 10) > day.date ? 24 : hours + minutes / 60; };
  const x = (hours) => 4 * hours, y = (ev) => 10 + (17 - Math.max(-6, Math.min(17, ev))) * 4;
  const path = (key) => day.samples.map((one) => `${x(at(one.when)).toFixed(2)},${y(one[key]).toFixed(1)}`);
  const band = `M${path("high").join("L")}L${path("low").reverse().join("L")}Z`, rows = day.goals.length;
  const drawn = svg("svg", { viewBox: `0 0 96 ${108 + rows * 8}`, preserveAspectRatio: "none", height: 180 + rows * 14, width: "100%", role: "img", "aria-label": t.light },
    svg("path", { d: band, class: "f-hair" }), svg("path", { d: `M${path("ev100").join("L")}`, class: "s-ink", "vector-effect": "non-scaling-stroke", "stroke-width": 2 }),
    ...[0, 6, 12, 18, 24].map((hour) => svg("line", { x1: x(hour), x2: x(hour), y1: 6, y2: 104 + rows * 8, class: "s-hair", "vector-effect": "non-scaling-stroke" })),
    ...day.goals.flatMap((goal, row) => goal.expected.map(([from, to]) => svg("rect", { x: x(at(from)), width: Math.max(.3, x(at(to)) - x(at(from))), y: 106 + row * 8, height: 5, class: "f-ink" }))));
  const windows = day.goals.map((goal) => (goal.expected.length
    ? goal.expected.map(([from, to]) => fill(t.light_goal, { goal: goal.goal, from: from.slice(11, 16), to: at(to) === 24 ? "24:00" : to.slice(11, 16) })).join("; ")
    : fill(t.light_never, { goal: goal.goal })));
  $("day").replaceChildren(el("h3", {}, `${t.light}, ${day.date}`), el("div", { class: "drawn" }, drawn, el("p", { class: "hours", "aria-hidden": "true" }, ...["0", "6", "12", "18", "24"].map((hour) => el("span", {}, hour)))),
    el("ol", { class: "plainlist" }, ...windows.map((one) => el("li", {}, one))), el("p", { class: "soft" }, t.light_why));
}

const choices = () => ({ composed: $("composed").checked, reachable: $("reachable").checked, operator: "page" });
async function start(event) {
  event.preventDefault();
  const told = await attempt(() => post("/api/runs", { id: newId(), brief: brief(), ...choices(), manners: { cue: $("cues").checked } }), $("start"));
  if (!told) return;
  say(told.run ? fill(t.started, { run: told.run }) : t.opening);
  location.assign($("cues").checked ? "/cue" : "/");
}
async function schedule() {
  if (!$("when").value) { $("when").focus(); return; }
  const at = new Date($("when").value);
  const told = await attempt(() => post("/api/schedule", { title: compiled.title, rule: { kind: "once", at: at.toISOString() }, brief: brief(), ...choices() }), $("schedule"));
  if (!told) return;
  say(fill(t.scheduled, { time: `${at.toLocaleDateString()} ${clock(at)}` }));
  await attempt(listSchedules);
}

begin(async () => {
  const put = (given, called) => { $("brief").value = given; name = called; numberLines(); };
  const demo = async () => { const told = await get("/api/demo-brief"); put(told.text, told.name); };
  if (kept.get("brief")) put(kept.get("brief"), "brief.yaml"); else await demo();
  $("brief").oninput = () => { numberLines(); kept.set("brief", $("brief").value); };
  $("brief").onscroll = () => { $("gutter").scrollTop = $("brief").scrollTop; };
  $("compile").onclick = (event) => attempt(compile, event.currentTarget);
  $("demo").onclick = () => attempt(demo);
  $("upload").onchange = async (event) => { const [file] = event.target.files; if (file) { put(await file.text(), file.name.slice(0, 200)); attempt(compile); } event.target.value = ""; };
  $("start-form").onsubmit = start;
  $("schedule").onclick = schedule;
  $("rehearse").onclick = (event) => attempt(rehearse, event.currentTarget);
  await attempt(listSchedules);
  document.addEventListener("units", drawSteps);
});
