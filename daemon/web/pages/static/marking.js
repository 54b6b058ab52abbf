// Regions marked on a picture by finger, mouse or keyboard, in shares of the frame, for named subjects.
import { $, ask, attempt, el, fill, get, jpegOf, picture, say, show, svg, text, words } from "./core.js";

const t = words.marking;
let run = null, frame = null, regions = [], from = null;

const clamp = (value) => Math.min(1, Math.max(0, value));
const round = (value) => Math.round(value * 1e4) / 1e4;
const boxes = ({ left, top, width, height }) => ["outer", "inner"].map((kind) => svg("rect", { x: left, y: top, width, height, class: kind }));
const fields = ["left", "top", "width", "height"];

function draw(fresh = null) {
  $("canvas-marks").replaceChildren(...[...regions, ...(fresh ? [fresh] : [])].flatMap(boxes));
  $("region-list").replaceChildren(...(regions.length ? regions.map((one, place) => el("li", {},
    el("span", {}, `${one.subject}: ${fields.map((name) => `${(one[name] * 100).toFixed(1)} %`).join(", ")}`),
    el("button", { type: "button", onclick: () => { regions.splice(place, 1); draw(); } }, fill(t.remove, { subject: one.subject })))) : [el("li", { class: "soft" }, t.none)]));
}
function at(event) {
  const area = $("canvas").getBoundingClientRect();
  return [clamp((event.clientX - area.left) / area.width), clamp((event.clientY - area.top) / area.height)];
}
function spanned([x1, y1], [x2, y2]) {
  return { left: round(Math.min(x1, x2)), top: round(Math.min(y1, y2)), width: round(Math.abs(x1 - x2)), height: round(Math.abs(y1 - y2)) };
}
function write(region) { for (const name of fields) $(`region-${name}`).value = (region[name] * 100).toFixed(1); }

export async function prepareMarking(number, subjects) {
  run = number;
  $("subjects").replaceChildren(...subjects.map((one) => el("option", { value: one.name })));
  if (subjects.length) $("subject").value = subjects[0].name;
  regions = (await get(`/api/runs/${run}/regions`)).regions;
  const canvas = $("canvas");
  canvas.onpointerdown = (event) => { from = at(event); canvas.setPointerCapture(event.pointerId); event.preventDefault(); };
  canvas.onpointermove = (event) => { if (from) { const region = spanned(from, at(event)); draw(region); write(region); } };
  canvas.onpointerup = (event) => {
    if (!from) return;
    const region = spanned(from, at(event));
    from = null;
    if (region.width > .005 && region.height > .005) { write(region); add(); } else draw();
  };
  canvas.onpointercancel = () => { from = null; draw(); };
  $("region-form").onsubmit = (event) => { event.preventDefault(); add(); };
  $("keep").onclick = (event) => attempt(async () => {
    const told = await ask("PUT", `/api/runs/${run}/regions`, { frame: frame.frame, regions });
    say(fill(t.kept, { count: told.regions.length }));
  }, event.currentTarget);
}
function add() {
  const region = { subject: $("subject").value.trim() };
  for (const name of fields) region[name] = round(Number($(`region-${name}`).value) / 100);
  if (!region.subject) { $("subject").focus(); return; }
  region.width = round(Math.min(region.width, 1 - region.left));
  region.height = round(Math.min(region.height, 1 - region.top));
  regions = [...regions.filter((one) => one.subject !== region.subject), region];
  draw();
}

/** Begin to mark on a frame. */
export function mark(chosen) {
  frame = chosen;
  picture($("canvas-image"), frame, 1280, "");
  const exif = frame.exif ?? {};
  if (exif.width && exif.height) $("canvas").style.aspectRatio = `${exif.width} / ${exif.height}`;
  show($("marking"), Boolean(jpegOf(frame)));
  text($("marking-title"), `${t.title} · ${frame.step ?? frame.frame}`);
  draw();
  $("marking-title").focus();
}
