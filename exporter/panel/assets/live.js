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
  const inUse = (e) => e.matches(".chart.held") || e.matches(".acts, .who, .ask") &&
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
    if (body.dataset.page === "suggestions") return; // it takes the box some seconds of work: only who asks has it
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

  // soon fetches this page anew within some seconds: what moves is set in place, the rest may wait.
  let due = 0;
  const soon = () => { due ||= setTimeout(() => { due = 0; anew(); }, 3000); };

  const decimal = (v, digits) => {
    const s = Math.abs(v).toFixed(digits);
    return v < 0 && /[1-9]/.test(s) ? "\u2212" + s : s;
  };

  // set shows a point's value in its row; false if that is not for us to tell.
  const set = (row, p) => {
    if (row.dataset.quality !== "good" || p.quality !== "good" || p.reason || typeof p.value !== "number") return false;
    if (row.querySelector(".sub.quality:not(.plain)") || Math.abs(p.value) >= 1e15) return false;
    const num = row.querySelector(".num");
    if (row.dataset.kind === "state") {
      const word = p.value ? row.dataset.true : row.dataset.false, since = row.querySelector(".since");
      if (since && num.textContent !== word) since.textContent = "since " + clock(p.time).slice(0, 5);
      num.textContent = word;
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
    // the page as it came shows all of the first event but plain numbers, if it was drawn from what bears the same mark
    const same = first && c.mark !== undefined && c.mark === body.dataset.mark;
    delete body.dataset.mark; // true of the page as it came only
    let whole = !same && (first || c.alarms.length > 0 || c.links.length > 0) || callsMoved(c.calls);
    first = false;
    if (body.dataset.page === "sheet") {
      for (const p of c.points) {
        const row = document.querySelector('[data-point="' + CSS.escape(p.point) + '"]');
        if ((!row || !set(row, p)) && !same) whole = true;
      }
    } else if (body.dataset.page === "point") {
      const row = document.querySelector("[data-point]");
      const p = c.points.find((p) => row && p.point === row.dataset.point);
      if (p && !set(row, p)) whole ||= !same;
      else if (p && !same) soon();
    }
    // the page of phones is what its script made of it; a review is as of when it was asked for
    if (whole && !/^(phones|pumps|air|water)$/.test(body.dataset.page)) anew();
  };

  // The stream is opened anew, each time after a longer pause, when it breaks or falls silent: a phone that slept may
  // hold a connection that nobody is at the other end of.
  const shortest = 1000, longest = 30000; // ms
  let source = null, timer = 0, opened = 0, pause = shortest;
  const open = () => {
    clearTimeout(timer);
    timer = 0;
    if (source) source.close();
    opened = Date.now();
    first = true; // what happened meanwhile was not told
    const mine = source = new EventSource("/api/v1/stream");
    mine.addEventListener("change", (e) => { pause = shortest; change(e); });
    mine.addEventListener("alive", (e) => {
      const a = JSON.parse(e.data);
      hear(a.time);
      if (a.age > body.dataset.overdue) anew(); // the page tells that the judging has stopped
    });
    mine.addEventListener("reload", () => location.reload());
    mine.addEventListener("error", () => {
      if (mine !== source) return;
      if (mine.readyState === EventSource.CLOSED && refused++ % 5 === 0) anew(); // refused: perhaps for want of a sign-in
      later();
    });
  };
  const later = () => {
    source.close();
    if (timer) return;
    timer = setTimeout(open, pause * (0.75 + Math.random() / 2)); // not all phones at once
    pause = Math.min(2 * pause, longest);
  };
  const watch = () => {
    look();
    if (!timer && Date.now() - Math.max(heard, opened) > silence) later();
  };
  // woke is for a page that is looked at again: no pause, however long the ones before were.
  const woke = () => {
    if (document.visibilityState !== "visible") return;
    look();
    if (Date.now() - heard <= silence && !timer) return;
    pause = shortest;
    open();
  };
  document.addEventListener("visibilitychange", woke);
  addEventListener("online", woke);
  // The page is shown before it is made live: on a slow phone the first values would be waited for otherwise. A page that
  // is not in sight is painted by nobody.
  let begun = false;
  const begin = () => {
    if (begun) return;
    begun = true;
    open();
    setInterval(watch, 1000);
  };
  requestAnimationFrame(() => setTimeout(begin));
  setTimeout(begin, 1000);
  // On a home screen the worker keeps the last sheet for when the box is out of reach: a fresh one every minute.
  if ("serviceWorker" in navigator && matchMedia("(display-mode: standalone)").matches) navigator.serviceWorker.register("/worker.js").catch(() => {});
  if ("serviceWorker" in navigator && body.dataset.page === "sheet") setInterval(() => { if (navigator.serviceWorker.controller) anew(); }, 60000);
  addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });

  // The read-out tells the value under finger, mouse or arrow keys. The values are fetched once for each drawing.
  let asked = "", values = null;
  const valuesOf = (svg) => {
    if (asked !== svg.dataset.source) {
      asked = svg.dataset.source;
      values = fetch(asked).then((r) => r.json()).then((j) => j.readings).catch(() => { asked = ""; return null; });
    }
    return values;
  };
  const when = (ms, span) => {
    const form = span > 86400000 ? { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" } : { hour: "2-digit", minute: "2-digit", second: "2-digit" };
    try {
      return new Date(ms).toLocaleString("en-GB", { ...form, timeZone: body.dataset.zone });
    } catch {
      return new Date(ms).toLocaleString("en-GB", form);
    }
  };
  const told = (svg, kind, r) => {
    const unit = svg.dataset.unit ? "\u00a0" + svg.dataset.unit : "", digits = Number(svg.dataset.digits);
    if (kind === "state") return Math.round(100 * r[2]) + "\u00a0% on";
    const [low, mean, high] = r.slice(1).map((v) => decimal(v, digits));
    return mean + unit + (low === high ? "" : " (" + low + " to " + high + ")");
  };
  let at = 0; // what is read out
  const readOut = async (chart, ms) => {
    const svg = chart.querySelector(".drawing[data-source]");
    if (!svg) return;
    const from = Number(svg.dataset.from), to = Number(svg.dataset.to);
    const mine = at = Math.min(Math.max(ms, from), to - 1);
    chart.classList.add("held");
    const list = await valuesOf(svg);
    if (mine !== at || !chart.classList.contains("held")) return; // moved on, or gone, meanwhile
    let r = null;
    for (const one of list || []) if (one[0] <= at) r = one; else break;
    const known = r && at - r[0] < Number(svg.dataset.hold);
    chart.querySelector(".readout").textContent = when(known ? r[0] : at, to - from) + ": " + (known ? told(svg, chart.dataset.kind, r) : list ? "nothing that could be used" : "the values cannot be fetched");
    let line = svg.querySelector(".cursor");
    if (!line) {
      line = svg.appendChild(document.createElementNS("http://www.w3.org/2000/svg", "line"));
      for (const [name, value] of [["class", "cursor"], ["y1", 18], ["y2", svg.getAttribute("height") - 22]]) line.setAttribute(name, value);
    }
    for (const end of ["x1", "x2"]) line.setAttribute(end, 100 * (at - from) / (to - from) + "%");
  };
  const letGo = (chart) => {
    chart.classList.remove("held");
    for (const line of chart.querySelectorAll(".cursor")) line.remove();
    chart.querySelector(".readout").textContent = "";
  };
  const chartOf = (e) => e.target.closest && e.target.closest(".chart");
  const under = (e) => {
    const chart = chartOf(e), svg = chart && e.target.closest(".drawing[data-source]");
    if (!svg) return;
    const box = svg.getBoundingClientRect(), style = getComputedStyle(svg);
    const zoom = svg.currentCSSZoom || 1; // lengths of the style are those before it
    const left = box.left + zoom * parseFloat(style.paddingLeft), right = box.right - zoom * parseFloat(style.paddingRight);
    const from = Number(svg.dataset.from), to = Number(svg.dataset.to);
    readOut(chart, from + (to - from) * (e.clientX - left) / (right - left));
  };
  addEventListener("pointermove", under);
  addEventListener("pointerdown", under);
  addEventListener("pointerout", (e) => {
    const chart = chartOf(e);
    if (chart && !chart.contains(e.relatedTarget) && e.pointerType === "mouse") letGo(chart);
  });
  addEventListener("keydown", (e) => {
    const chart = e.target.matches && e.target.matches(".chart") && e.target, svg = chart && chart.querySelector(".drawing[data-source]");
    if (!svg) return;
    const from = Number(svg.dataset.from), to = Number(svg.dataset.to), stride = (to - from) / 100;
    if (e.key === "Escape") return letGo(chart);
    if (e.key !== "ArrowLeft" && e.key !== "ArrowRight") return;
    e.preventDefault();
    readOut(chart, (chart.classList.contains("held") ? at : to) + (e.key === "ArrowLeft" ? -stride : stride));
  });
  addEventListener("focusout", (e) => { if (e.target.matches && e.target.matches(".chart")) letGo(e.target); });
})();
