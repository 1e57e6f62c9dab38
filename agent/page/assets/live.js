// Keeps an open page up to date: listens to the stream, and when the view has changed fetches the
// same page again and exchanges the parts marked data-live. Without it every page works the same,
// one reload later.
"use strict";
(() => {
  const lost = document.getElementById("lost");
  const atMost = 2000; // ms between two fetches
  let shown = document.body.dataset.number, wanted = shown, busy = false, last = 0, timer = 0;

  // exchange replaces a part only where its text or drawing differs, so that a reader's place, a
  // selection and the announcement of the status are kept while nothing changes.
  const exchange = (fresh) => {
    for (const part of document.querySelectorAll("[data-live]")) {
      const next = fresh.getElementById(part.id);
      if (!next || next.isEqualNode(part)) continue;
      const active = document.activeElement;
      if (active && part.contains(active) && active.matches("input, textarea, select")) continue;
      const focus = active && part.contains(active) ? active.id : "";
      const open = [...part.querySelectorAll("details[open][id]")].map((d) => d.id);
      part.replaceWith(document.adoptNode(next));
      for (const id of open) document.getElementById(id)?.setAttribute("open", "");
      if (focus) document.getElementById(focus)?.focus();
    }
    document.title = fresh.title;
    shown = fresh.body.dataset.number;
    document.dispatchEvent(new CustomEvent("ledger:fresh"));
  };

  const refresh = async () => {
    timer = 0;
    if (busy || document.hidden || wanted === shown) return;
    busy = true;
    last = Date.now();
    try {
      const answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
      if (answer.ok) exchange(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch {
      // The stream says it when the watch cannot be reached.
    } finally {
      busy = false;
      if (wanted !== shown) plan();
    }
  };

  const plan = () => {
    if (!timer) timer = setTimeout(refresh, Math.max(0, last + atMost - Date.now()));
  };

  let since = 0, warn = 0;
  const say = () => {
    lost.textContent = lost.dataset.say.replace("{}", new Date(since).toLocaleTimeString(document.documentElement.lang, { hour: "2-digit", minute: "2-digit", hour12: false }));
    lost.hidden = false;
  };
  const source = new EventSource("/api/v1/stream?of=view");
  source.addEventListener("view", (e) => {
    clearTimeout(warn);
    warn = since = 0;
    lost.hidden = true;
    wanted = String(JSON.parse(e.data).number);
    if (wanted !== shown) plan();
  });
  source.addEventListener("error", () => {
    if (!since) {
      since = Date.now();
      warn = setTimeout(say, 5000);
    }
    // A refused stream is not tried again by the browser itself.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => location.reload(), 60000);
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && wanted !== shown) plan();
  });
})();
