// Predict: the lecturer hides the settings from the class and reveals them, picture by picture, for every device.
import { $, ask, attempt, show, text, words } from "./core.js";

/** Both keys as they stand; `newest` is the picture that would be revealed. */
export function renderHiding(board, newest) {
  if (!$("predict")) return;
  const veiled = Boolean(board.hidden && newest && newest.frame > board.revealed);
  text($("predict"), board.hidden ? words.board.predict_off : words.board.predict_on);
  $("predict").setAttribute("aria-pressed", String(board.hidden));
  $("reveal").disabled = !veiled;
  show($("reveal"), board.hidden);
}
/** `board()` and `newest()` give what is on the screen; a press names it, so that a picture that just came stays hidden. */
export function prepareHiding(board, newest, done) {
  if (!$("predict")) return;
  const put = (body, button) => attempt(async () => { await ask("PUT", "/api/board", body); await done(); }, button);
  $("predict").onclick = (event) => put({ hidden: !board().hidden }, event.currentTarget);
  $("reveal").onclick = async (event) => { await put({ hidden: true, revealed: newest().frame }, event.currentTarget); renderHiding(board(), newest()); };
}
