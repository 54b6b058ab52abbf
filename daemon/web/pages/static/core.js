// What every screen shares: text, requests, words to the reader, signing in, displays, units, the time to leave.
import words, { verbs } from "./words.js";
import { Live } from "./live.js";

export { words, verbs };
export const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";

/** Fill the braces of a text of the catalogue. */
export const fill = (text, values = {}) => text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);

function build(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== null && value !== undefined && value !== false) node.setAttribute(name, value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}
/** An element; children that are text stay text whatever they hold. */
export const el = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);
export const svg = (tag, attributes, ...children) => build(document.createElementNS(SVG, tag), attributes, children);

/** Replace what a node holds, only when `key` has changed, so that a finger on a button keeps it. */
export function swap(node, key, make) {
  const told = JSON.stringify(key ?? null);
  if (node.dataset.key === told) return;
  node.dataset.key = told;
  node.replaceChildren(...[make()].flat().filter(Boolean));
}
export function show(node, visible) { node.hidden = !visible; }
export function text(node, value) { if (node.textContent !== value) node.textContent = value; }

let saying;
export function say(what) {
  $("said").textContent = what;
  clearTimeout(saying);
  saying = setTimeout(() => { $("said").textContent = ""; }, 6000);
}

export class Refusal extends Error {
  constructor(status, tree) { super(tree?.message ?? words.page.failed); this.status = status; this.tree = tree ?? {}; }
}
/** A request to the service; the JSON it answers, or a Refusal. */
export async function ask(method, path, body) {
  const options = { method, headers: {}, cache: "no-store", signal: AbortSignal.timeout(45000) };
  if (body !== undefined) { options.body = JSON.stringify(body); options.headers["content-type"] = "application/json"; }
  const answer = await fetch(path, options);
  const tree = await answer.json().catch(() => null);
  if (!answer.ok) throw new Refusal(answer.status, tree);
  return tree;
}
export const get = (path) => ask("GET", path);
export const post = (path, body) => ask("POST", path, body);
/** Ask for what takes a while until it is made; each request is held by the service for some seconds. */
export async function until(method, path, body = method === "POST" ? {} : undefined) {
  for (;;) {
    const tree = await ask(method, path, body);
    if (!tree.making) return tree;
    await new Promise((resolve) => setTimeout(resolve, 500));
  }
}
/** Do something for a press, and tell a refusal instead of losing it. */
export async function attempt(deed, button) {
  if (button) button.disabled = true;
  try { return await deed(); } catch (error) {
    say(error instanceof Refusal ? error.message : words.page.failed);
    return null;
  } finally { if (button) button.disabled = false; }
}
/** An id that no other has; also where the address is not encrypted. */
export const newId = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");
export const plainId = (...parts) => parts.join("-").replace(/[^A-Za-z0-9._:-]/g, "_").slice(0, 100);

export const kept = {
  get(name) { try { return localStorage.getItem(name); } catch { return null; } },
  set(name, value) { try { localStorage.setItem(name, value); } catch { /* nothing is kept then */ } },
};

/** Ask before something that cannot be taken back. */
export function sure(question) {
  const dialog = $("sure");
  $("sure-text").textContent = question;
  return new Promise((resolve) => {
    let answer = false;
    $("sure-yes").onclick = () => { answer = true; dialog.close(); };
    $("sure-no").onclick = () => dialog.close();
    dialog.onclose = () => resolve(answer);
    dialog.showModal();
  });
}

// -- words for figures -------------------------------------------------------------------------------------------------
export const clock = (when) => new Date(when).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
export const isMetric = () => kept.get("units") !== "imperial";
export function distance(metres) {
  if (metres === null || metres === undefined) return words.plan.far_end;
  const value = isMetric() ? metres : metres / 0.3048;
  return `${value.toFixed(value < 10 ? 2 : value < 100 ? 1 : 0)} ${isMetric() ? "m" : "ft"}`;
}
export const signed = (stops) => (Math.abs(stops) < 0.005 ? "0.00" : `${stops < 0 ? "−" : "+"}${Math.abs(stops).toFixed(2)}`);
export function duration(seconds) {
  if (seconds < 60) return `${Math.max(1, Math.round(seconds))} s`;
  const minutes = Math.round(seconds / 60);
  return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}
export const bytes = (count) => (count === null || count === undefined ? words.now.untold : count > 5e8 ? `${(count / 1e9).toFixed(1)} GB` : `${Math.round(count / 1e6)} MB`);
export function settingsLine(settings) {
  if (!settings) return "";
  const filters = (settings.filters ?? []).map((one) => one.name).join(" + ");
  return [settings.aperture.mark, `${settings.time.mark} s`, `ISO ${settings.iso.mark}`, filters].filter(Boolean).join("  ·  ");
}
export function readingLine(frame) {
  const reading = frame?.reading;
  if (!reading || typeof reading.measured_stops !== "number") return words.now.reading_none;
  const off = reading.residual_stops ?? reading.measured_stops - reading.expected_stops;
  return fill(words.now.reading, { measured: signed(reading.measured_stops), expected: signed(reading.expected_stops ?? 0), off: signed(off) });
}
export const jpegOf = (frame) => (frame?.files ?? []).find((file) => file.kind === "jpeg");
export function picture(image, frame, width, words_) {
  const file = jpegOf(frame);
  show(image, Boolean(file));
  if (!file) return;
  const address = `/api/files/${file.id}/preview?width=${width}`;
  if (image.getAttribute("src") !== address) image.src = address;
  image.alt = words_;
}

/** A frame is told when it is stored, and is kept a moment later: read it again then. */
export function whenKept(live, frames, render) {
  live.on(["step"], async (kind, data) => {
    if (data.kind !== "frame-kept") return;
    const frame = frames().at(-1), told = frame && frame.attempt_state !== "kept" ? await get(`/api/frames/${frame.frame}`).catch(() => null) : null;
    if (told && frames().includes(frame)) { frames()[frames().indexOf(frame)] = told; render(); }
  });
}

// -- displays and units ------------------------------------------------------------------------------------------------
function switches() {
  const root = document.documentElement, { sun, night, metric, imperial } = words.page;
  const dress = () => {
    const isNight = root.dataset.display === "night";
    text($("display"), isNight ? sun : night);
    $("display").setAttribute("aria-label", fill(words.page.display, { now: isNight ? night : sun, other: isNight ? sun : night }));
    text($("units"), isMetric() ? imperial : metric);
    $("units").setAttribute("aria-label", fill(words.page.units, { now: isMetric() ? metric : imperial, other: isMetric() ? imperial : metric }));
  };
  $("display").onclick = () => {
    root.dataset.display = root.dataset.display === "night" ? "sun" : "night";
    kept.set("display", root.dataset.display);
    dress();
  };
  $("units").onclick = () => { kept.set("units", isMetric() ? "imperial" : "metric"); dress(); document.dispatchEvent(new Event("units")); };
  dress();
}

// -- the time to leave -------------------------------------------------------------------------------------------------
let leaves = null, sound = null, beeping = null;
document.addEventListener("pointerdown", () => { sound ??= new AudioContext(); sound.resume(); }, { passive: true });
function beep() {
  if (!sound || sound.state !== "running") return;
  const tone = sound.createOscillator(), loud = sound.createGain(), at = sound.currentTime;
  tone.type = "square"; tone.frequency.setValueAtTime(880, at); tone.frequency.setValueAtTime(660, at + .25);
  loud.gain.value = .25; tone.connect(loud).connect(sound.destination); tone.start(at); tone.stop(at + .5);
  navigator.vibrate?.(400);
}
export const leaveBy = () => leaves;
function watchLeaving() {
  const due = leaves && Date.now() >= Date.parse(leaves) && kept.get("left") !== leaves;
  if (due && !$("alarm").open) {
    $("alarm").showModal();
    beeping = setInterval(beep, 1000);
  }
  if (due) {
    const silent = !sound || sound.state !== "running";
    text($("alarm-text"), `${fill(words.now.leave_text, { time: clock(leaves) })} ${silent ? words.now.leave_sound : ""}`);
  } else if ($("alarm").open) { clearInterval(beeping); $("alarm").close(); }
}
export function setLeaving(tree) {
  leaves = [tree.at, tree.brief_at].filter(Boolean).sort((a, b) => Date.parse(a) - Date.parse(b))[0] ?? null;
  watchLeaving();
  document.dispatchEvent(new Event("leaving"));
}
$("alarm-heard").onclick = () => { kept.set("left", leaves); clearInterval(beeping); $("alarm").close(); };
$("alarm").oncancel = (event) => event.preventDefault();

// -- signing in --------------------------------------------------------------------------------------------------------
const BUSY_S = 6, BUSY_TRIES = 40, UNJOINED = { Late: "late", Full: "full" };
export let role = null;
/** Let this device in, then begin the screen with ({live, role}). */
export async function begin(screen) {
  switches();
  const code = /^#(?:pair|join)=([A-Za-z0-9-]{1,40})$/.exec(location.hash)?.[1];
  if (/^#(pair|join)=/.test(location.hash)) history.replaceState(null, "", location.pathname + location.search);
  let about = await whoami();
  if (code && !about) {
    text($("link"), words.pairing.pairing);
    await enter("/api/pair", { code });
    about = await whoami();
  } else if (code) say(words.pairing.needless);
  if (about === null) {
    show($("pairing"), true);
    document.documentElement.dataset.paired = "no";
    text(document.querySelector("h1"), words.pairing.title);
    text($("link"), "");
    $("pair-form").onsubmit = (event) => { event.preventDefault(); enter("/api/pair", { code: $("code").value }, true); };
    $("token-form").onsubmit = (event) => { event.preventDefault(); enter("/api/session", { token: $("token").value }, true); };
    $("code").focus();
    return;
  }
  role = about.role;
  for (const node of document.querySelectorAll("[data-control]")) if (role !== "control") node.remove();
  if (role !== "control") for (const node of document.querySelectorAll('[data-tab="plan"], [data-tab="cue"]')) node.remove();
  show($("screen"), true);
  const live = new Live(setLeaving);
  setInterval(watchLeaving, 1000);
  await screen({ live, role });
  live.start();
  performance.mark("ready");
  document.documentElement.dataset.ready = "yes";
}
async function whoami() {
  for (let pause = 500; ; pause = Math.min(pause * 2, 4000)) {
    try { return await get("/api/service"); } catch (error) {
      if (error.status === 401) return null;
      text($("link"), words.page.linking);
      await new Promise((resolve) => setTimeout(resolve, pause));
    }
  }
}
async function enter(path, body, again = false) {
  for (let tries = 0; ; tries += 1) {
    try {
      await post(path, body);
      if (again) location.reload();
      return;
    } catch (error) {
      if (error.status !== 429 || tries >= BUSY_TRIES) {
        text($("pairing-said"), words.pairing[UNJOINED[error.tree?.error]] 
          ?? (error.status === 401 ? words.pairing.denied : error instanceof Refusal ? error.message : words.page.failed));
        show($("pairing-said"), true);
        return;
      }
      text($("link"), fill(words.pairing.many, { seconds: BUSY_S }));  // a class behind one address waits its turn
      await new Promise((resolve) => setTimeout(resolve, BUSY_S * 1000));
    }
  }
}
