// Works for a phone while no page is open: shows the messages that the box pushes, and the last round sheet with its
// age when the box is out of reach. It keeps the sheet alone, and what that is drawn with.
"use strict";
const shelf = "roundsman-1";
const parts = ["/assets/sheet.css", "/assets/live.js"];
const patience = 8000; // ms until the box counts as out of reach

self.addEventListener("install", (e) => {
  e.waitUntil((async () => {
    const cache = await caches.open(shelf);
    await Promise.all(parts.map((p) => refresh(cache, p)));
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (e) => {
  e.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith("roundsman-") && name !== shelf) await caches.delete(name);
    await self.clients.claim();
  })());
});

const refresh = async (cache, path) => {
  const answer = await fetch(path, { cache: "no-cache" });
  if (answer.ok) await cache.put(path, answer);
};

self.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname === "/" && url.search === "") e.respondWith(sheet(e));
  else if (parts.includes(url.pathname)) e.respondWith(part(e, url.pathname));
});

// sheet gets the round sheet from the box and keeps it; when there is no word from the box a page that is opened gets the
// last one. A page's own script is told the truth: it says itself that it is not live.
const sheet = async (e) => {
  try {
    const answer = await fetch(e.request, { signal: AbortSignal.timeout(patience) });
    if (answer.ok && !answer.redirected) e.waitUntil(keep(answer.clone()));
    else if (answer.type === "opaqueredirect" || answer.redirected) e.waitUntil(forget()); // signed out: not for whoever has the phone next
    return answer;
  } catch (err) {
    if (e.request.mode !== "navigate") throw err;
    const old = await (await caches.open(shelf)).match("/");
    if (!old) throw err;
    return seen(old);
  }
};

const keep = async (answer) => {
  const headers = new Headers();
  for (const name of ["Content-Type", "Content-Security-Policy", "X-Content-Type-Options", "Referrer-Policy"]) {
    if (answer.headers.has(name)) headers.set(name, answer.headers.get(name));
  }
  headers.set("X-Seen", new Date().toISOString());
  await (await caches.open(shelf)).put("/", new Response(await answer.text(), { headers }));
};

const forget = async () => (await caches.open(shelf)).delete("/");

// seen returns a sheet that was kept, marked with when it was.
const seen = async (old) => {
  const text = await old.text(), at = new Date(old.headers.get("X-Seen"));
  const zone = (/ data-zone="([^"&<>]+)"/.exec(text) || [])[1];
  const mark = '<p class="stale seen" role="alert">The box is out of reach. This is the sheet as last seen at ' + clock(at, zone) +
    ", " + age(Date.now() - at) + " ago. Look at the room.</p>";
  return new Response(text.replace('<p id="stale"', mark + '<p id="stale"'), { headers: old.headers });
};

const clock = (at, zone) => {
  const form = { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hour12: false };
  try {
    return at.toLocaleString("en-GB", { ...form, timeZone: zone });
  } catch { // a zone this browser does not know
    return at.toLocaleString("en-GB", form);
  }
};

const age = (ms) => {
  const min = Math.max(0, Math.round(ms / 60000));
  if (min < 60) return min + " min";
  if (min < 48 * 60) return Math.floor(min / 60) + " h " + (min % 60) + " min";
  return Math.floor(min / 1440) + " days";
};

const part = async (e, path) => {
  const cache = await caches.open(shelf);
  try {
    const answer = await fetch(e.request, { signal: AbortSignal.timeout(patience) });
    if (answer.ok) e.waitUntil(cache.put(path, answer.clone()));
    return answer;
  } catch (err) {
    const old = await cache.match(path);
    if (!old) throw err;
    return old;
  }
};

// A push must be shown, whatever it holds: browsers take the right to push from those that do not.
self.addEventListener("push", (e) => {
  let m = {};
  try { m = e.data.json(); } catch { /* nothing, or not ours */ }
  e.waitUntil(show(m && typeof m === "object" ? m : {}));
});

const show = (m) => {
  const link = own(m.link);
  return self.registration.showNotification(String(m.title || "A message of the box that cannot be read"), {
    body: String(m.body || "Open the alarms."),
    tag: String(m.thread || m.key || "roundsman"), // the return to normal takes the place of its alarm
    renotify: true,
    requireInteraction: m.subject === "alarm" && m.priority === "high",
    icon: "/assets/icon-192.png",
    timestamp: Date.parse(m.created) || Date.now(),
    data: { link },
    actions: link ? [{ action: "take", title: "Acknowledge" }] : [],
  });
};

// own returns a link if it leads to this box: the page behind it asks once more before anything is done.
const own = (link) => {
  try {
    const url = new URL(link);
    return url.origin === self.location.origin ? url.href : "";
  } catch {
    return "";
  }
};

self.addEventListener("notificationclick", (e) => {
  e.notification.close();
  const link = e.action === "take" && e.notification.data ? e.notification.data.link : "";
  e.waitUntil(open(link || new URL("/alarms", self.location.origin).href));
});

const open = async (url) => {
  for (const page of await self.clients.matchAll({ type: "window", includeUncontrolled: true })) {
    if (page.url === url && "focus" in page) return page.focus();
  }
  return self.clients.openWindow(url);
};
