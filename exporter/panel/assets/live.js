// Keeps a page as live as the room, and says so when it is not. Good numbers are
// set in place; whatever else changed is taken from the page fetched anew, so
// that the server alone decides how a thing is told.
"use strict";
(() => {
  const silence = 15000; // ms without a word from the box
  const body = document.body;
  const stale = document.getElementById("stale");
  let heard = Date.now(), shownTime = "", fetching = false, again = false, over = false;

  const clock = (iso) => {
    try {
      return new Date(iso).toLocaleTimeString("en-GB", { timeZone: body.dataset.zone });
    } catch { // a zone this browser does not know
      return new Date(iso).toLocaleTimeString("en-GB");
    }
  };

  const hear = (iso) => {
    heard = Date.now();
    if (iso) shownTime = clock(iso);
    const t = document.getElementById("clock");
    if (t && iso) t.textContent = shownTime;
    look();
  };

  const look = () => {
    const silent = over || Date.now() - heard > silence;
    body.classList.toggle("silent", silent);
    stale.hidden = !silent;
    if (silent) {
      const text = "Not live: no word from the box" + (shownTime ? " since " + shownTime : "") +
        ". What stands here is old. Look at the room.";
      if (stale.textContent !== text) stale.textContent = text;
    }
  };

  // anew fetches this page and replaces each keyed piece that differs.
  const anew = async () => {
    if (fetching) { again = true; return; }
    fetching = true;
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      if (!answer.ok) throw new Error(answer.status);
      const next = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const piece of next.querySelectorAll("[data-key]")) {
        const old = document.querySelector('[data-key="' + CSS.escape(piece.dataset.key) + '"]');
        if (!old) { location.reload(); return; }
        if (old.outerHTML !== piece.outerHTML) old.replaceWith(piece);
      }
    } catch { // the stream will tell whether the box is there
    } finally {
      setTimeout(() => { fetching = false; if (again) { again = false; anew(); } }, 1000);
    }
  };

  const decimal = (v, digits) => {
    const s = Math.abs(v).toFixed(digits);
    return v < 0 && /[1-9]/.test(s) ? "\u2212" + s : s;
  };

  // set shows a point's value in its row; false if that is not for us to tell.
  const set = (row, p) => {
    if (row.dataset.quality !== "good" || p.quality !== "good" || p.reason || typeof p.value !== "number") return false;
    if (row.querySelector(".sub.quality") || Math.abs(p.value) >= 1e15) return false;
    const num = row.querySelector(".num");
    if (row.dataset.kind === "state") {
      num.textContent = p.value ? row.dataset.true : row.dataset.false;
      num.parentElement.classList.toggle("off", !p.value);
      return true;
    }
    if (row.dataset.kind !== "number") return false;
    num.textContent = decimal(p.value, Number(row.dataset.digits));
    const bar = row.querySelector(".bar"), needle = row.querySelector(".needle");
    if (needle) {
      const share = (p.value - bar.dataset.from) / (bar.dataset.to - bar.dataset.from);
      needle.setAttribute("x", 100 * Math.min(Math.max(share, 0), 1) + "%");
    }
    return true;
  };

  let first = true;
  const change = (e) => {
    const c = JSON.parse(e.data);
    hear(c.time);
    let whole = first || c.alarms.length > 0 || c.links.length > 0;
    first = false;
    if (body.dataset.page === "sheet") {
      for (const p of c.points) {
        const row = document.querySelector('[data-point="' + CSS.escape(p.point) + '"]');
        if (!row || !set(row, p)) whole = true;
      }
    } else if (body.dataset.page === "point") {
      const of = document.querySelector("[data-of]").dataset.of;
      whole = whole || c.points.some((p) => p.point === of);
    }
    if (whole) anew();
  };

  const open = () => {
    const source = new EventSource("/api/v1/stream");
    source.addEventListener("change", change);
    source.addEventListener("alive", (e) => {
      const a = JSON.parse(e.data);
      hear(a.time);
      if (a.age > 10) anew(); // the page says itself that the judging has stopped
    });
    source.addEventListener("reload", () => location.reload());
    source.addEventListener("error", () => {
      first = true; // what happens now is not told later
      if (source.readyState === EventSource.CLOSED) setTimeout(open, 5000); // refused, not lost: the browser gives up
    });
  };
  open();
  setInterval(look, 1000);
  addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });
})();
