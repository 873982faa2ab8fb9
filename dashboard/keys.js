// The screens by keys alone. Enter in a line of a form presses the form's button, once. Who has pressed something that
// then goes stays in its place: the same line of the form begun anew, or the word of what came of it. What is opened by
// a key over the page is walked into, and out of again. A field's place bears its key, `<what>-<form>`, and the button's
// `send-<form>`: see dashboard/parts/draft.py.
{
  const KEY = "st-key-", WORD = ".lc-notice", PATIENCE_MS = 5000, SETTLED_MS = 400;
  const BODY = '[data-testid="stPopoverBody"]', OPENER = '[data-testid="stPopoverButton"]';
  const STOPS = "a[href], button, input, textarea, [tabindex='0']";
  const key = (of) => [...(of?.classList ?? [])].find((name) => name.startsWith(KEY))?.slice(KEY.length) ?? "";
  const place = (of) => of.closest(`[data-testid="stElementContainer"][class*="${KEY}"]`);
  const lasting = (of) => key(of).replace(/(-\d+)+$/, ""); // a form begun anew differs in its numbers alone
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];

  let held = null, line = null, sent = "", words = [], until = 0, waiting = 0, opening = false;

  function enter(event) {
    const at = event.target.matches?.('[data-testid="stTextInput"] input') && place(event.target);
    const send = at && all(`[class*="${KEY}send-"]`).find((one) => key(at).endsWith(`-${key(one).slice("send-".length)}`));
    if (!send) return;
    [line, sent] = [event.target, event.target.value];
    send.querySelector("button")?.click();
  }

  function follows(one) {
    const was = lasting(held);
    return was.startsWith("clear-") ? lasting(one).endsWith(was.slice("clear".length)) : lasting(one) === was;
  }

  function stay() {
    if (Date.now() > until || !held || held.isConnected || document.activeElement !== document.body) return;
    const next = all(`[class*="${KEY}"]`).find(follows)?.querySelector("input, button");
    const typed = line && held.contains(line) && line.value.startsWith(sent) ? line.value.slice(sent.length) : "";
    if (next) {
      next.focus({ preventScroll: true });
      if (typed) document.execCommand("insertText", false, typed); // before the new line was there
      return;
    }
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      const word = all(WORD).find((one) => one.offsetParent && !words.includes(one.innerText));
      if (!word || document.activeElement !== document.body) return;
      word.tabIndex = -1;
      word.focus({ preventScroll: true });
    }, SETTLED_MS);
  }

  function walk(event) {
    const body = event.target.closest?.(BODY);
    const stops = body ? all(STOPS, body) : [];
    const last = event.shiftKey ? stops[0] : stops.at(-1);
    if (!body || (event.target !== last && body.contains(event.target) && stops.length)) return;
    document.querySelector(`${OPENER}[aria-expanded="true"]`)?.focus(); // and on from there
    if (event.shiftKey) event.preventDefault();
  }

  document.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !event.repeat && !event.isComposing) enter(event);
    if (event.key === "Tab") walk(event);
  });
  document.addEventListener("focusin", (event) => { held = event.target.closest(`[class*="${KEY}"]`); });
  document.addEventListener("click", (event) => {
    [until, words] = [Date.now() + PATIENCE_MS, all(WORD).map((one) => one.innerText)];
    opening = event.detail === 0 && event.target.closest(OPENER)?.ariaExpanded === "false"; // 0: by a key
  }, true);
  new MutationObserver(() => {
    const first = opening && document.querySelector(BODY)?.querySelector(STOPS);
    if (first) opening = first.focus();
    stay();
  }).observe(document.documentElement, { childList: true, subtree: true });
}
