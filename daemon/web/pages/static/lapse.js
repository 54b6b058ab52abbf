// The time-lapse of a run: how it stands, and its film so far, a strip of small frames that plays.
import { $, clock, duration, el, fill, get, show, swap, text, words } from "./core.js";

const LOOK_MS = 5000, RATE = 12, STILL = matchMedia("(prefers-reduced-motion: reduce)");
let run = null, told = null, strip = null, place = 0, plays = !STILL.matches, busy = false;

/** Show the time-lapse of this run, or none. */
export function watch(of) {
  if (of === run) return;
  run = of; told = null; strip = null; place = 0;
  show($("lapse"), false);
  look();
}

async function look() {
  if (run === null || busy || document.hidden) return;
  busy = true;
  const asked = run;
  try {
    const found = await get(`/api/runs/${run}/timelapse?limit=1`);
    if (asked !== run) return;
    told = found;
    await fetchStrip(found.film);
    render();
  } catch { /* it is asked again soon */ } finally { busy = false; }
}

async function fetchStrip(film) {
  if (!film.address || strip?.address === film.address) return;
  const answer = await fetch(film.address, { credentials: "same-origin" });
  if (answer.status !== 200) return; // it is being made
  const image = await createImageBitmap(await answer.blob());
  strip?.image.close();
  const rows = Math.ceil(film.frames.length / film.columns);
  strip = { address: film.address, image, frames: film.frames, columns: film.columns, width: image.width / film.columns, height: image.height / rows };
}

function render() {
  show($("lapse"), Boolean(told));
  if (!told) return;
  const light = told.thinks?.level ?? told.light?.ev100, set = told.settings;
  const ends = told.start ? Date.parse(told.start) + told.ends_s * 1000 : null;
  const facts = [
    [words.lapse.frames, fill(words.lapse.frames_value, { taken: told.taken, frames: told.frames })],
    [words.lapse.gaps, fill(words.lapse.gaps_value, { missed: told.missed, late: told.late })],
    [words.lapse.interval, duration(told.interval_s)],
    [words.lapse.light, typeof light === "number" ? `EV ${light.toFixed(1)}` : words.now.light_none],
    [words.lapse.set, set ? `${set.time.mark} s, ISO ${set.iso.mark}` : words.page.none],
    [words.lapse.ends, ends ? clock(ends) : words.page.none],
  ];
  swap($("lapse-facts"), facts, () => facts.map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value))));
  const note = told.thinks?.fogging ? words.lapse.fog : { dark: words.lapse.dark, bright: words.lapse.bright }[told.thinks?.limit] ?? "";
  text($("lapse-note"), note);
  show($("lapse-film"), Boolean(strip)); show($("lapse-play"), Boolean(strip));
  text($("lapse-play"), plays ? words.lapse.pause : words.lapse.play);
  if (strip && !plays) { place = strip.frames.length - 1; draw(); }
}

function draw() {
  const canvas = $("lapse-film"), { image, frames, columns, width, height } = strip;
  place = Math.min(place, frames.length - 1);
  if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
  canvas.getContext("2d").drawImage(image, (place % columns) * width, Math.floor(place / columns) * height, width, height, 0, 0, width, height);
  canvas.setAttribute("aria-label", fill(words.lapse.film_label, { frames: frames.length, last: frames.at(-1) + 1 }));
  text($("lapse-shown"), fill(words.lapse.shown, { frame: frames[place] + 1 }));
}

/** Begin to look, once the screen is there. */
export function beginWatch(live) {
  $("lapse-play").onclick = () => { plays = !plays; render(); };
  setInterval(look, LOOK_MS);
  setInterval(() => {
    if (!strip || !plays || document.hidden) return;
    draw();
    place = (place + 1) % strip.frames.length;
  }, 1000 / RATE);
  live.on(["lapse-light", "lapse-gap", "lapse-done"], look);
}
