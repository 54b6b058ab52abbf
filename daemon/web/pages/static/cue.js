// Cue: the lecturer's panel. The next picture on a word, and one value changed while the rest balances.
import { $, whenKept, attempt, begin, el, fill, get, newId, picture, plainId, post, say, settingsLine, show, signed, swap, text, verbs, words } from "./core.js";
import { prepareHiding, renderHiding } from "./hiding.js";
import { bars, barsInto } from "./stopbar.js";

const t = words.cue, LOOK_BACK = 60;
let state = null, outline = null, frames = [], change = null, seen = null;

const written = { aperture: (mark) => mark, time: (mark) => `${mark} s`, iso: (mark) => `ISO ${mark}` };
const stepOf = (id) => outline?.steps.find((step) => step.id === id) ?? outline?.extra.find((step) => step.id === id);
const newest = () => frames.findLast((frame) => frame.role === "picture" && frame.attempt_state === "kept") ?? null;

async function readAll() {
  state = await get("/api/state");
  frames = []; outline = null;
  if (state.run) {
    const end = Number(state.at.split("-")[1]);
    frames = (await get(`/api/runs/${state.run}/frames?after=${Math.max(0, end - LOOK_BACK)}&limit=${LOOK_BACK}`)).frames;
    await readOutline();
  }
  render();
}
async function readOutline() { outline = await get(`/api/runs/${state.run}/outline`).catch(() => null); }

function render() {
  const going = Boolean(state.run), can = verbs[state.job?.runner] ?? [], frame = newest();
  show($("cue-none"), !going);
  show($("cue-run"), going);
  if (!going) return;
  const isCue = state.asking?.kind === "cue", step = stepOf(isCue ? state.asking.step : state.progress?.step);
  text($("cue-text"), isCue ? state.asking.text : state.asking ? state.asking.text : words.now[`state_${state.job?.runner ?? "opening"}`]);
  swap($("cue-bar"), [step?.id, outline?.revision, $("cue-bar").clientWidth], () => {
    if (!step?.bar) return [];
    barsInto($("cue-bar"), [{ bar: step.bar }]);
    return [...$("cue-bar").childNodes];
  });
  $("take").disabled = !can.includes("cue");
  renderHiding(state.board, frames.findLast((one) => one.role === "picture") ?? null);
  text($("beside"), frame ? `${t.beside} ${settingsLine(frame.settings)}` : t.wait);
  if (seen && (seen.run !== state.run || seen.frame !== (frame?.frame ?? null))) seen = null;  // a newer picture is there
  text($("magnified-title"), seen ? t.live : t.preview);
  if (!seen) picture($("magnified-image"), frame, 2560, t.preview);
  $("look").disabled = !can.includes("preview");
  for (const dial of document.querySelectorAll("#dials select")) {
    const kind = dial.dataset.kind;
    dial.disabled = !frame || !can.includes("improvise");
    swap(dial, [frame?.frame, outline?.revision], () => [el("option", { value: "" }, frame ? `${written[kind](frame.settings[kind].mark)}, ${t.choose}` : t.choose),
      ...(frame ? (outline?.scales[kind] ?? []).filter((mark) => mark !== frame.settings[kind].mark).map((mark) => el("option", { value: written[kind](mark) }, written[kind](mark))) : [])]);
  }
  $("shoot").disabled = !change || change.frame !== frame?.frame || !can.includes("improvise");
  if (change && change.frame !== frame?.frame) { change = null; $("balance").replaceChildren(); }
}

async function balance(dial) {
  const frame = newest();
  for (const other of document.querySelectorAll("#dials select")) if (other !== dial) other.value = "";
  change = null;
  $("balance").replaceChildren();
  if (dial.value && frame?.step) {
    const told = await attempt(() => post(`/api/runs/${state.run}/balance`, { step: frame.step, change: dial.value }));
    if (told) {
      change = { frame: frame.frame, step: frame.step, what: dial.value };
      const width = $("balance").clientWidth || 320;
      $("balance").replaceChildren(el("p", { class: "big" }, settingsLine(told.settings)),
        el("div", { class: "bars" }, ...bars([{ bar: told.before, name: "1" }, { bar: told.bar, name: "2" }], { width })),
        el("p", { class: "soft" }, `1 ${t.before} · 2 ${t.after}. ${fill(t.offset, { off: signed(told.bar.total - told.before.total) })}`), el("p", {}, told.caption));
    }
  }
  render();
}

let shown = 0;  // the event of the live picture that is on the screen
function showLive(event) {
  if (event.run_id !== state.run || event.id <= shown) return;
  shown = event.id;
  if (!event.data.bytes) { say(event.text); return; }
  seen = { run: state.run, frame: newest()?.frame ?? null };
  const image = $("magnified-image");
  image.src = `/api/runs/${state.run}/live?at=${event.id}`;
  image.alt = t.live;
  show(image, true);
  render();
}
/** Whoever pressed asks until it is there: the live events may just be connecting again. */
async function look() {
  const { run, at } = await get("/api/state"), before = Number(at.split("-")[0]), id = newId();
  await post(`/api/runs/${run}/commands`, { id, verb: "preview", data: {} });
  for (let tries = 0; tries < 40; tries++) {
    const { events } = await get(`/api/runs/${run}/events?after=${before}&limit=50`);
    const made = events.find((event) => event.kind === "preview");
    if (made) { showLive(made); return; }
    if (events.some((event) => event.kind === "command-refused" && event.data.command === id)) return;
    await new Promise((resolve) => setTimeout(resolve, 300));
  }
}

begin(async ({ live, role }) => {
  if (role !== "control") { location.replace("/board"); return; }
  live.fresh(readAll);
  live.on(["state"], async (kind, data) => {
    const before = state;
    state = { ...(state ?? {}), ...data };
    if (before && before.run !== data.run) await readAll(); else render();
  });
  live.on(["frame"], async (kind, frame) => {
    frames = [...frames.filter((one) => one.frame !== frame.frame), frame].slice(-LOOK_BACK);
    if (frame.step && !stepOf(frame.step)) await readOutline();
    render();
  });
  whenKept(live, () => frames, render);
  live.on(["retargeted", "frame-improvised"], async () => { await readOutline(); render(); });
  live.on(["preview"], (kind, event) => showLive(event));
  live.on(["command-refused"], (kind, data) => say(`${words.page.refused}: ${data.text}`));
  const command = (verb, data, id, button) => attempt(() => post(`/api/runs/${state.run}/commands`, { id, verb, data }), button);
  prepareHiding(() => state.board, () => frames.findLast((one) => one.role === "picture"), async () => { state = await get("/api/state"); render(); });
  $("take").onclick = (event) => command("cue", {}, plainId("cue", state.asking?.id), event.currentTarget).then(render);
  $("look").onclick = (event) => attempt(look, event.currentTarget).then(render);
  $("shoot").onclick = (event) => {
    const asked = change;
    command("improvise", { step: asked.step, change: asked.what }, plainId("improvise", state.run, asked.frame, asked.what), event.currentTarget).then(render);
  };
  for (const dial of document.querySelectorAll("#dials select")) dial.onchange = () => balance(dial);
  addEventListener("resize", () => state && render());
});
