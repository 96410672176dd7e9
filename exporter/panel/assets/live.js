// Keeps a page as live as the room, and says so when it is not. Good numbers are
// set in place; whatever else changed is taken from the page fetched anew, so
// that the server alone decides how a thing is told.
"use strict";
(() => {
  const body = document.body;
  const silence = Number(body.dataset.silence); // ms without a word from the box
  const stale = document.getElementById("stale");
  let heard = Date.now(), shownTime = "", fetching = false, again = false;

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
    const silent = Date.now() - heard > silence;
    body.classList.toggle("silent", silent);
    stale.hidden = !silent;
    if (silent) {
      const text = "Not live: no word from the box" + (shownTime ? " since " + shownTime : "") +
        ". What stands here is old. Look at the room.";
      if (stale.textContent !== text) stale.textContent = text;
    }
  };

  // inUse tells whether somebody is filling in a form: it stays as it is until they are done.
  const inUse = (e) => e.matches(".acts, .who") &&
    (e.querySelector("details[open]") !== null || e.contains(document.activeElement) && document.activeElement.matches("input, select"));

  // keyOf is what a piece of the page is about; "" for most.
  const keyOf = (e) => e.dataset ? e.dataset.alarm || e.dataset.acts || e.id || "" : "";

  // morph makes an old piece of the page like the new one and leaves alone what is
  // the same: a replaced mark would begin its slow blinking anew.
  const morph = (old, next) => {
    if (old === stale || old.isEqualNode(next)) return;
    if (old.nodeName !== next.nodeName) {
      old.replaceWith(next);
      return;
    }
    if (old.nodeType !== Node.ELEMENT_NODE) {
      old.nodeValue = next.nodeValue;
      return;
    }
    if (inUse(old)) return;
    for (const name of old.getAttributeNames()) if (!next.hasAttribute(name)) old.removeAttribute(name);
    for (const name of next.getAttributeNames()) {
      if (old.getAttribute(name) !== next.getAttribute(name)) old.setAttribute(name, next.getAttribute(name));
    }
    const was = [...old.childNodes], children = [...next.childNodes];
    if (was.length === children.length && was.every((child, i) => keyOf(child) === keyOf(children[i]))) {
      was.forEach((child, i) => morph(child, children[i]));
    } else {
      weave(old, was, children);
    }
  };

  // weave gives an old piece new children, but keeps, in its place, each that is about the same thing.
  const weave = (old, was, children) => {
    const kept = new Map(), focus = document.activeElement;
    for (const child of was) if (keyOf(child)) kept.set(keyOf(child), child);
    const now = children.map((child) => {
      const same = kept.get(keyOf(child));
      if (!same || same.nodeName !== child.nodeName) return child;
      morph(same, child);
      return same;
    });
    for (const child of was) if (!now.includes(child)) child.remove();
    let at = old.firstChild;
    for (const child of now) {
      if (child === at) at = at.nextSibling;
      else old.insertBefore(child, at);
    }
    if (document.activeElement !== focus && old.contains(focus)) focus.focus({ preventScroll: true }); // moving took it away
  };

  // anew fetches this page and takes over what differs, at most once a second.
  const anew = async () => {
    if (fetching) { again = true; return; }
    fetching = true;
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      if (answer.redirected) return location.assign(answer.url); // signed out: it asks to sign in
      if (!answer.ok) throw new Error(answer.status);
      const next = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of ["header", "main", "footer"]) morph(document.querySelector(part), next.querySelector(part));
    } catch { // the stream tells whether the box is there
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
      needle.setAttribute("x", Math.round(1000 * Math.min(Math.max(share, 0), 1)) / 10 + "%");
    }
    return true;
  };

  // callsMoved tells whether the page has other words than these about calls that do not get through, or shows calls itself.
  let callsAt = Date.now();
  const callsMoved = (words = "") => {
    if (body.dataset.page === "callouts" && Date.now() - callsAt > 5000) {
      callsAt = Date.now();
      return true;
    }
    const told = document.getElementById("uncalled");
    return told !== null && /^(sheet|alarms)$/.test(body.dataset.page) && told.dataset.words !== words;
  };

  let first = true, refused = 0;
  const change = (e) => {
    const c = JSON.parse(e.data);
    hear(c.time);
    let whole = first || c.alarms.length > 0 || c.links.length > 0 || callsMoved(c.calls);
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
    if (whole && body.dataset.page !== "phones") anew(); // its script made something of it
  };

  const open = () => {
    const source = new EventSource("/api/v1/stream");
    source.addEventListener("change", change);
    source.addEventListener("alive", (e) => {
      const a = JSON.parse(e.data);
      hear(a.time);
      if (a.age > body.dataset.overdue) anew(); // the page tells that the judging has stopped
    });
    source.addEventListener("reload", () => location.reload());
    source.addEventListener("error", () => {
      first = true; // what happens now is not told later
      if (source.readyState !== EventSource.CLOSED) return;
      setTimeout(open, 2000); // refused, not lost: the browser gives up
      if (refused++ % 5 === 0) anew(); // perhaps for want of a sign-in
    });
  };
  open();
  // On a home screen the worker keeps the last sheet for when the box is out of reach: a fresh one every minute.
  if ("serviceWorker" in navigator && matchMedia("(display-mode: standalone)").matches) navigator.serviceWorker.register("/worker.js").catch(() => {});
  if ("serviceWorker" in navigator && body.dataset.page === "sheet") setInterval(() => { if (navigator.serviceWorker.controller) anew(); }, 60000);
  setInterval(look, 1000);
  addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });
})();
