// Devices: let another phone or screen in, or send all of them away.
import { $, ask, attempt, begin, post, show, sure, text, words } from "./core.js";

begin(async ({ role }) => {
  if (role === "control") {
    for (const button of document.querySelectorAll("[data-offer]")) button.onclick = () => attempt(async () => {
      const told = await post("/api/pairing", { role: button.dataset.offer });
      text($("offer-code"), told.code);
      text($("offer-url"), told.urls[0]);
      $("qr").src = `data:image/svg+xml;base64,${btoa(told.qr_svg)}`;
      $("qr").alt = told.urls[0];
      show($("offer"), true);
      $("offer").scrollIntoView({ block: "nearest" });
    }, button);
    $("all").onclick = async () => {
      if (!(await sure(words.devices.all_sure))) return;
      await attempt(() => post("/api/sessions/end", {}));
      location.assign("/");
    };
  }
  $("leave").onclick = () => attempt(async () => { await ask("DELETE", "/api/session"); location.assign("/"); });
});
