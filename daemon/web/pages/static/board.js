// Board: the class view. Pictures alone, never control readings, and nothing on it moves the rig. What is hidden from
// the class is kept from watching devices by the service; here it is kept off the screen of a device that controls.
import { $, attempt, begin, get, kept, picture, settingsLine, show, swap, text, words } from "./core.js";
import { prepareHiding, renderHiding } from "./hiding.js";
import { barsInto } from "./stopbar.js";

const LOOK_BACK = 200;
let frames = [], outline = null, run = null, board = { hidden: false, revealed: null }, compared = { key: "", bars: {} };

async function readAll() {
  const state = await get("/api/state");
  board = state.board;
  run = state.run ?? (await get("/api/board")).run;
  frames = [];
  if (run) {
    const end = Number(state.at.split("-")[1]);
    frames = (await get(`/api/runs/${run}/frames?role=picture&after=${Math.max(0, end - LOOK_BACK)}&limit=${LOOK_BACK}`)).frames;
    await readOutline();
  }
  render();
}
async function readOutline() { outline = await get(`/api/runs/${run}/outline`).catch(() => null); }
const isHidden = (frame) => Boolean(frame && board.hidden && frame.frame > board.revealed);
const stepOf = (id) => outline?.steps.find((step) => step.id === id) ?? outline?.extra.find((step) => step.id === id);

function pinnedFor(newest) {
  const chosen = Number(kept.get(`pinned-${run}`)), step = stepOf(newest.step);
  const found = frames.find((frame) => frame.frame === chosen) ?? (step ? frames.findLast((frame) => frame.step === step.reference) : null);
  if (found && found.frame !== newest.frame) return found;
  // A reference is held against the one before; a hidden picture against the last one whose settings are told.
  return (isHidden(newest) && frames.findLast((frame) => !isHidden(frame))) || (frames.at(-2) ?? null);
}

/** Both bars on one zero, so that their lengths compare whatever their groups; those of the plan until they are told. */
async function compare(...both) {
  const steps = both.map((frame) => (isHidden(frame) ? null : frame?.step)).filter(Boolean), key = `${run} ${outline?.revision} ${steps}`;
  if (steps.length < 2 || key === compared.key) return;
  compared = { key, bars: {} };
  const told = await get(`/api/runs/${run}/bars?${new URLSearchParams(steps.map((step) => ["step", step]))}`).catch(() => null);
  if (told && key === compared.key) { compared.bars = told.bars; render(); }
}
const barOf = (frame) => (frame?.step ? compared.bars[frame.step] ?? stepOf(frame.step)?.bar : null);

function put(name, frame, most) {
  show($(name), Boolean(frame));
  if (!frame) return;
  const hidden = isHidden(frame);
  picture($(`${name}-image`), frame, 2560, hidden ? words.board.hidden : `${frame.goal ?? ""} ${settingsLine(frame.settings)}`);
  text($(`${name}-settings`), hidden ? words.board.hidden : settingsLine(frame.settings));
  const bar = barOf(frame);
  swap($(`${name}-bar`), [frame.frame, hidden, bar?.total, bar?.line, outline?.revision, outline?.extra.length, $(name).clientWidth, most], () => {
    if (hidden || !bar) return [];
    barsInto($(`${name}-bar`), [{ bar }], { most });
    return [...$(`${name}-bar`).childNodes];
  });
}

function render() {
  const newest = frames.at(-1) ?? null;
  show($("waiting"), !newest);
  const pinned = newest ? pinnedFor(newest) : null;
  const shown = [newest, pinned].map((frame) => (isHidden(frame) ? null : barOf(frame))).filter(Boolean); // on one scale
  const most = Math.max(1, ...shown.map((bar) => Math.max(bar.total, bar.line)));
  for (const [name, frame] of [["newest", newest], ["pinned", pinned]]) show($(name), Boolean(frame)); // both stand before either is measured
  compare(newest, pinned);
  put("newest", newest, most);
  put("pinned", pinned, most);
  renderHiding(board, newest);
  $("pin").disabled = !newest;
}

begin(async ({ live }) => {
  live.fresh(readAll);
  live.on(["frame"], async (kind, frame) => {
    if (frame.role !== "picture") return;
    if (frame.run !== run) { await readAll(); return; }
    frames = [...frames.filter((one) => one.frame !== frame.frame), frame].slice(-LOOK_BACK);
    if (!stepOf(frame.step)) await readOutline();
    render();
  });
  live.on(["run-started"], readAll);
  live.on(["state"], async (kind, state) => { if (JSON.stringify(state.board) !== JSON.stringify(board)) await readAll(); });
  live.on(["retargeted"], async () => { await readOutline(); render(); });
  prepareHiding(() => board, () => frames.at(-1), readAll);
  $("pin").onclick = () => { kept.set(`pinned-${run}`, String(frames.at(-1).frame)); render(); };
  $("full").onclick = () => attempt(() => (document.fullscreenElement ? document.exitFullscreen() : $("screen").requestFullscreen()));
  addEventListener("resize", render);
  document.addEventListener("fullscreenchange", render);
});
