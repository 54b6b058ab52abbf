// The live events of the service: reconnecting, correct after sleep, and plain about having lost the rig.
import words from "./words.js";

const KINDS = [
  "state", "step", "frame", "run-started", "attempt-failed", "frame-recovered", "step-skipped", "hands-done",
  "light-metered", "retargeted", "camera-lost", "camera-back", "unasked-frame", "paused", "run-done", "note", "command",
  "command-refused", "question", "answered", "reminder", "waiting", "going-on", "frame-retaken", "frame-improvised",
  "lapse-started", "lapse-waiting", "lapse-frame", "lapse-gap", "lapse-light", "lapse-done", "preview", "verdict",
  "shutter-held",
];
const LOOK_MS = 8000, PATIENCE_MS = 1200, AGAIN_MS = 3000;

export class Live {
  #source = null; #heard = []; #fresh = []; #lostAt = null; #doubt = null; #looking = false; #turn = Promise.resolve(); #whole = false; #told;
  /** `told` gets what `/api/leave` says, which is asked for as the sign of life. */
  constructor(told) { this.#told = told; }

  /** Call `deed(kind, data)` at each event of the kinds (all, when none is named). */
  on(kinds, deed) { this.#heard.push([kinds && new Set(kinds), deed]); }
  /** Call `deed()` whenever all may have changed: at the start, after a gap. It reads everything anew. */
  fresh(deed) { this.#fresh.push(deed); }

  start() {
    this.#connect();
    setInterval(() => this.#look(), LOOK_MS);
    this.#look(true);
    const wake = () => { if (document.visibilityState === "visible") { this.#connect(); this.#look(true); } };
    document.addEventListener("visibilitychange", wake);
    addEventListener("online", wake);
    addEventListener("offline", () => this.#lose());
    addEventListener("pageshow", (event) => { if (event.persisted) wake(); });
    addEventListener("pagehide", () => this.#source?.close());
  }

  #connect() {
    this.#source?.close();
    const source = this.#source = new EventSource("/api/events");
    source.onopen = () => { if (source === this.#source) this.#readAnew(); };
    source.onerror = () => {
      if (source !== this.#source) return;
      if (source.readyState !== EventSource.CLOSED) { this.#doubted(); return; }
      setTimeout(() => { if (source === this.#source) this.#look(); }, AGAIN_MS);  // refused: other streams have all places
    };
    for (const kind of KINDS) source.addEventListener(kind, (event) => {
      const data = JSON.parse(event.data);
      this.#inTurn(async () => { for (const [kinds, deed] of this.#heard) if (!kinds || kinds.has(kind)) await deed(kind, data); });
    });
  }

  /** One after another: what came while the page was being read is told after it, so that no older answer undoes it. */
  #inTurn(deed) {
    this.#turn = this.#turn.then(deed).catch(() => { this.#whole = false; });  // read anew at the next look
    return this.#turn;
  }
  #readAnew() {
    this.#whole = false;
    return this.#inTurn(async () => {
      try { for (const deed of this.#fresh) await deed(); } catch { this.#doubted(); return; }
      this.#whole = true;
      this.#found();
    });
  }

  /** `first`: the live events that are being opened have the page read. */
  async #look(first = false) {
    if (this.#looking) return;
    this.#looking = true;
    try {
      const answer = await fetch("/api/leave", { cache: "no-store", signal: AbortSignal.timeout(5000) });
      if (answer.status === 401) { location.reload(); return; }
      if (!answer.ok) return;
      this.#told(await answer.json());
      if (first) return;
      if (this.#source?.readyState === EventSource.OPEN && this.#whole) { this.#found(); return; }
      // No place for live events, none yet, or a reading that failed: the page is read at each look instead.
      await this.#readAnew();
      if (this.#source?.readyState === EventSource.CLOSED) this.#connect();
    } catch { this.#doubted(); } finally { this.#looking = false; }
  }

  #doubted() { this.#doubt ??= setTimeout(() => this.#lose(), PATIENCE_MS); }
  #lose() {
    this.#lostAt ??= new Date();
    const time = this.#lostAt.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
    const lost = document.getElementById("lost");
    lost.textContent = words.page.lost.replace("{time}", time);
    lost.hidden = false;
    document.getElementById("link").textContent = words.page.linking;
    document.documentElement.dataset.link = "lost";
  }
  #found() {
    clearTimeout(this.#doubt);
    this.#doubt = this.#lostAt = null;
    document.getElementById("lost").hidden = true;
    document.getElementById("link").textContent = words.page.linked;
    document.documentElement.dataset.link = "there";
  }
}
