// Enter in a line of a form presses the form's button, once; and who has pressed it stays where the hand was.
// A field's place bears its key, `<what>-<form>`, and the button's `send-<form>`: see dashboard/parts/draft.py.
{
  const KEY = "st-key-", PATIENCE_MS = 5000;
  const key = (of) => [...(of?.classList ?? [])].find((name) => name.startsWith(KEY))?.slice(KEY.length) ?? "";
  const place = (of) => of.closest(`[data-testid="stElementContainer"][class*="${KEY}"]`);
  const lasting = (of) => key(of).replace(/(-\d+)+$/, ""); // a form begun anew differs in its numbers alone

  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.repeat || event.isComposing) return;
    const at = event.target.matches?.('[data-testid="stTextInput"] input') && place(event.target);
    if (!at) return;
    const sends = [...document.querySelectorAll(`[class*="${KEY}send-"]`)];
    const send = sends.find((one) => key(at).endsWith(`-${key(one).slice("send-".length)}`));
    send?.querySelector("button")?.click();
  });

  let held = null, until = 0;
  document.addEventListener("focusin", (event) => { held = place(event.target); });
  document.addEventListener("click", () => { until = Date.now() + PATIENCE_MS; }, true);
  new MutationObserver(() => {
    if (!held || held.isConnected || Date.now() > until || document.activeElement !== document.body) return;
    const next = [...document.querySelectorAll(`[class*="${KEY}"]`)].find((one) => lasting(one) === lasting(held));
    next?.querySelector("input, button")?.focus({ preventScroll: true });
  }).observe(document.documentElement, { childList: true, subtree: true });
}
