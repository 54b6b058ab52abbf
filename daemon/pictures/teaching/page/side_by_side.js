"use strict";
(() => {
  const lesson = JSON.parse(document.getElementById("lesson").textContent);
  const frames = lesson.frames;
  const by = (id) => document.getElementById(id);
  const stage = by("stage"), sides = ["left", "right"];
  const KINDS = { aperture: "aperture", time: "time", iso: "ISO", filters: "filter" };
  const STEPS = [1, 1.5, 2, 3, 4, 6, 8];
  const now = { left: lesson.start[0], right: lesson.start[1], pinned: true, mode: "side", times: 1, x: 0.5, y: 0.5,
    wipe: 50, over: "right", open: true };

  const make = (tag, text, kind) => {
    const node = document.createElement(tag);
    if (text !== undefined) node.textContent = text;
    if (kind) node.className = kind;
    return node;
  };
  const name = (frame) => "Picture " + frame.number;
  const told = (frame) => now.open ? name(frame) + ": " + frame.settings : name(frame);

  function fill(side) {
    const pick = by(side + "-pick"), value = now[side];
    pick.replaceChildren();
    for (const group of lesson.groups) {
      const part = document.createElement("optgroup");
      part.label = now.open ? group.title : "Group " + group.number;
      for (const index of group.frames) {
        const option = make("option", now.open ? frames[index].number + "  ·  " + frames[index].settings : name(frames[index]));
        option.value = index;
        part.append(option);
      }
      pick.append(part);
    }
    pick.value = value;
  }

  function picture(side) {
    const frame = frames[now[side]], pane = by(side), image = pane.querySelector("img"), none = pane.querySelector(".none");
    image.classList.toggle("hidden", !frame.src);
    none.classList.toggle("hidden", Boolean(frame.src));
    none.textContent = name(frame) + ": " + frame.missing;
    if (frame.src && image.dataset.shown !== String(frame.number)) {
      image.src = frame.src;
      image.dataset.shown = frame.number;
    }
    image.alt = now.open ? told(frame) + ". " + frame.caption : name(frame) + ", settings hidden";
    const tag = pane.querySelector(".tag");
    tag.textContent = frame.number;
    tag.classList.toggle("pinned", side === "left" && now.pinned);
    by(side + "-pick").value = now[side];
    by(side + "-title").textContent = told(frame);
    by(side + "-text").textContent = now.open ? frame.caption : "Settings are hidden.";
    by(side + "-verdict").textContent = now.open ? frame.verdict || "" : "";
  }

  function place() {
    for (const side of sides) {
      const image = by(side).querySelector("img"), box = by(side);
      const w = box.clientWidth, h = box.clientHeight, t = now.times;
      const dx = Math.min(0, Math.max(w - w * t, w / 2 - now.x * w * t));
      const dy = Math.min(0, Math.max(h - h * t, h / 2 - now.y * h * t));
      image.style.transform = "translate(" + dx + "px," + dy + "px) scale(" + t + ")";
      image.classList.toggle("close", t >= 3);
    }
    by("times").textContent = now.times + "×";
  }

  function lay() {
    const laid = now.mode !== "side";
    stage.className = "stage " + now.mode + (laid ? " laid" : "");
    by("left").classList.toggle("under", now.mode === "flip" && now.over !== "left");
    by("right").classList.toggle("under", now.mode === "flip" && now.over !== "right");
    by("right").style.clipPath = now.mode === "wipe" ? "inset(0 0 0 " + now.wipe + "%)" : "none";
    const left = by("left");
    by("edge").style.left = left.offsetLeft + left.clientWidth * now.wipe / 100 + "px";
    by("wipebar").classList.toggle("on", now.mode === "wipe");
    by("wipebar").value = now.wipe;
    for (const mode of ["side", "wipe", "flip"]) by(mode).setAttribute("aria-pressed", String(now.mode === mode));
    by("pin").setAttribute("aria-pressed", String(now.pinned));
    by("hide").setAttribute("aria-pressed", String(!now.open));
    by("hide").textContent = now.open ? "Hide settings" : "Reveal settings";
    by("bars").classList.toggle("hidden", !now.open);
    stage.style.touchAction = now.times > 1 ? "none" : "pan-y";  // a finger must still be able to scroll past
    place();
  }

  const SVG = "http://www.w3.org/2000/svg";
  function shape(tag, values, text) {
    const node = document.createElementNS(SVG, tag);
    for (const key in values) node.setAttribute(key, values[key]);
    if (text !== undefined) node.textContent = text;
    return node;
  }

  function bars() {
    const svg = by("barpicture"), narrow = window.innerWidth < 700;
    const wide = narrow ? 360 : 1200, thick = narrow ? 34 : 38, size = narrow ? 14 : 17, lead = narrow ? 26 : 40;
    const pair = [frames[now.left], frames[now.right]];
    const stops = Math.max(...pair.map((f) => Math.max(f.total, f.line)));
    const unit = (wide - lead - 10) / stops;
    svg.setAttribute("viewBox", "0 0 " + wide + " " + (2 * (thick + 10) + 12));
    for (const old of svg.querySelectorAll(".drawn")) old.remove();
    const all = shape("g", { class: "drawn" });
    const spoken = [];
    pair.forEach((frame, row) => {
      const y = 8 + row * (thick + 10);
      all.append(shape("text", { x: 0, y: y + thick / 2 + size / 3, "font-size": size, "font-weight": 700, fill: "#24282e" }, frame.number));
      const parts = [];
      for (const part of frame.bar) {
        const x = lead + part.start * unit, w = part.length * unit;
        all.append(shape("rect", { x, y, width: w, height: thick, fill: "url(#" + part.kind + ")", stroke: "#24282e", "stroke-width": 1.2 }));
        for (const text of [part.letter + " " + part.mark, part.letter]) {
          const room = text.length * size * 0.66 + 8;
          if (room > w) continue;
          all.append(shape("rect", { x: x + w / 2 - room / 2 + 2, y: y + 6, width: room - 4, height: thick - 12, fill: "#fbf9f4" }));
          all.append(shape("text", { x: x + w / 2, y: y + thick / 2 + size / 3, "text-anchor": "middle", "font-size": size,
            "font-weight": 700, fill: "#24282e" }, text));
          break;
        }
        parts.push(KINDS[part.kind] + " " + part.mark + ", " + part.length.toFixed(1) + " stops");
      }
      spoken.push(name(frame) + ": " + parts.join("; ") + "; " + ending(frame));
    });
    const end = lead + pair[0].line * unit;
    all.append(shape("line", { x1: end, x2: end, y1: 0, y2: 2 * (thick + 10) + 8, stroke: "#24282e", "stroke-width": 3 }));
    svg.append(all);
    svg.setAttribute("aria-label", "Stop bars. " + spoken.join(". "));
    by("ends").textContent = pair.map((frame) => frame.number + " " + ending(frame)).join(" · ");
  }

  function ending(frame) {
    const off = frame.total - frames[now.left].line;
    if (Math.abs(off) < 0.005) return "ends at the line";
    return "ends " + Math.abs(off).toFixed(2) + " stop " + (off > 0 ? "past" : "short of") + " the line";
  }

  function say() {
    const how = { side: "side by side", wipe: "wipe", flip: "flip, " + now.over + " on top" }[now.mode];
    by("status").textContent = "Left, " + told(frames[now.left]) + ". Right, " + told(frames[now.right]) + ". " + how +
      ", magnified " + now.times + " times.";
  }

  function show() {
    sides.forEach(picture);
    lay();
    if (now.open) bars();
    say();
  }

  function go(step) {
    const round = (index) => (index + step + frames.length) % frames.length;
    now.right = round(now.right);
    if (!now.pinned) now.left = round(now.left);
    show();
  }
  function magnify(step) {
    const at = STEPS.indexOf(now.times);
    now.times = STEPS[Math.min(STEPS.length - 1, Math.max(0, at + step))];
    if (now.times === 1) now.x = now.y = 0.5;
    lay();
    say();
  }
  function pan(dx, dy) {
    const half = 0.5 / now.times;
    now.x = Math.min(1 - half, Math.max(half, now.x + dx / now.times));
    now.y = Math.min(1 - half, Math.max(half, now.y + dy / now.times));
    place();
  }
  function mode(which) {
    if (which === "flip" && now.mode === "flip") now.over = now.over === "left" ? "right" : "left";
    now.mode = which;
    show();
  }
  function wipe(value) { now.wipe = Math.min(100, Math.max(0, value)); lay(); }
  const acts = {
    side: () => mode("side"), wipe: () => mode("wipe"), flip: () => mode("flip"),
    pin: () => { now.pinned = !now.pinned; show(); },
    swap: () => { [now.left, now.right] = [now.right, now.left]; show(); },
    before: () => go(-1), after: () => go(1), closer: () => magnify(1), farther: () => magnify(-1),
    whole: () => { now.times = 1; now.x = now.y = 0.5; lay(); say(); },
    hide: () => { now.open = !now.open; sides.forEach(fill); show(); },
  };
  for (const id in acts) by(id).addEventListener("click", acts[id]);
  for (const side of sides) by(side + "-pick").addEventListener("change", (event) => { now[side] = Number(event.target.value); show(); });
  by("wipebar").addEventListener("input", (event) => wipe(Number(event.target.value)));

  const keys = { "1": "side", "2": "wipe", "3": "flip", f: "flip", p: "pin", s: "swap", h: "hide", "+": "closer", "=": "closer",
    "-": "farther", "0": "whole" };
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || /SELECT|INPUT/.test(event.target.tagName)) return;
    const arrow = arrows[event.key];
    if (arrow && now.times > 1 && event.target === stage) pan(arrow[0] * 0.2, arrow[1] * 0.2);
    else if (arrow && now.mode === "wipe" && event.target === stage && arrow[0]) wipe(now.wipe + 5 * arrow[0]);
    else if (arrow && arrow[0]) go(arrow[0]);
    else if (keys[event.key.toLowerCase()]) acts[keys[event.key.toLowerCase()]]();
    else return;
    event.preventDefault();
  });

  const touches = new Map();
  let moved = 0, apart = 0;
  const spread = () => { const [a, b] = [...touches.values()]; return Math.hypot(a.x - b.x, a.y - b.y); };
  stage.addEventListener("pointerdown", (event) => {
    touches.set(event.pointerId, { x: event.clientX, y: event.clientY });
    stage.setPointerCapture(event.pointerId);
    moved = touches.size > 1 ? 99 : 0;
    apart = touches.size === 2 ? spread() : 0;
  });
  stage.addEventListener("pointermove", (event) => {
    const last = touches.get(event.pointerId);
    if (!last) return;
    const dx = event.clientX - last.x, dy = event.clientY - last.y, box = by("left").getBoundingClientRect();
    moved += Math.abs(dx) + Math.abs(dy);
    touches.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (touches.size === 2) {
      const ratio = spread() / apart;
      if (ratio > 1.3 || ratio < 0.77) { magnify(ratio > 1 ? 1 : -1); apart = spread(); }
    } else if (now.times > 1) pan(-dx / box.width, -dy / box.height);
    else if (now.mode === "wipe") wipe(100 * (event.clientX - box.left) / box.width);
  });
  const lift = (event) => {
    if (touches.delete(event.pointerId) && event.type === "pointerup" && moved < 8 && now.mode === "flip") mode("flip");
  };
  stage.addEventListener("pointerup", lift);
  stage.addEventListener("pointercancel", lift);
  stage.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return;  // a plain wheel scrolls the page
    event.preventDefault();
    magnify(event.deltaY < 0 ? 1 : -1);
  }, { passive: false });
  window.addEventListener("resize", show);
  sides.forEach(fill);
  show();
})();
