// Devices: let a class, another phone or a screen in, or send all of them away.
import { $, ask, attempt, begin, clock, fill, get, post, show, sure, text, words } from "./core.js";

const t = words.devices, LOOK_MS = 3000;
let looking;  // whether the class's code is the one shown

function offer(told, title, how) {
  text($("offer-title"), title);
  text($("offer-code"), told.code);
  text($("offer-how"), how);
  text($("offer-url"), told.urls[0]);
  const drawn = `data:image/svg+xml;base64,${btoa(told.qr_svg)}`;
  if ($("qr").src !== drawn) $("qr").src = drawn;
  $("qr").alt = told.urls[0];
  const first = $("offer").hidden;
  show($("offer"), true);
  if (first) $("offer").scrollIntoView({ block: "nearest" });
}
function showClass(told) {
  if (!told.open) return;
  offer(told, t.class_title, t.class_type);
  text($("joined"), fill(t.class_now, { ...told, time: clock(Date.now() + told.expires_s * 1000) }));
  show($("class-end"), true);
  show($("class-card"), false);
  show($("class-said"), false);
  if (!looking) looking = setInterval(look, LOOK_MS);
}
function over(said) {
  clearInterval(looking);
  looking = null;
  text($("joined"), "");
  show($("class-end"), false);
  show($("class-card"), true);
  if (!said) return;
  show($("offer"), false);
  text($("class-said"), said);
  show($("class-said"), true);
}
async function look() {
  const told = await get("/api/pairing/class").catch(() => null);  // out of touch: the bar at the top says so
  if (!told || !looking) return;
  if (told.open) showClass(told); else over(t.class_over);
}

begin(async ({ role }) => {
  if (role === "control") {
    $("class").onclick = () => attempt(async () => {
      show($("offer"), false);
      const now = await get("/api/pairing/class");  // one that is open is shown again: a new one would void it
      showClass(now.open ? now : await post("/api/pairing/class", { minutes: Number($("minutes").value) }));
    }, $("class"));
    $("class-end").onclick = () => attempt(async () => {
      const told = await ask("DELETE", "/api/pairing/class");
      over(told.joined ? fill(t.class_ended, told) : t.class_ended_none);
    }, $("class-end"));
    for (const button of document.querySelectorAll("[data-offer]")) button.onclick = () => attempt(async () => {
      const told = await post("/api/pairing", { role: button.dataset.offer });
      over();
      show($("offer"), false);
      show($("class-said"), false);
      offer(told, t[`${button.dataset.offer}_title`], t.open_this);
    }, button);
    $("all").onclick = async () => {
      if (!(await sure(t.all_sure))) return;
      await attempt(() => post("/api/sessions/end", {}));
      location.assign("/");
    };
    showClass(await get("/api/pairing/class"));
  }
  $("leave").onclick = () => attempt(async () => { await ask("DELETE", "/api/session"); location.assign("/"); });
});
