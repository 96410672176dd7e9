// Has the box call this phone: asks whether messages may be shown, subscribes at the browser's push service, and hands
// the subscription to the box. What stands in the way is said in words.
"use strict";
(() => {
  const form = document.getElementById("install"), words = document.getElementById("install-words");
  if (!form) return; // nobody said who they are
  const iPhone = /iPhone|iPad/.test(navigator.userAgent);

  const obstacle = () => {
    if (!isSecureContext) return "This page came without a certificate that the phone trusts, so the box cannot call it.";
    if (!("serviceWorker" in navigator) || !("PushManager" in window) || !("Notification" in window)) {
      if (iPhone && !navigator.standalone) return "Put this page on the home screen first (Share, then Add to Home Screen), and open it from there.";
      return "This browser cannot be called.";
    }
    if (form.dataset.key === "") return "The box has no key for it.";
    if (Notification.permission === "denied") return "Messages of this page are blocked in the phone's settings: allow them there first.";
    return "";
  };

  const bytes = (text) => Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (c) => c.charCodeAt(0));

  const subscribe = async () => {
    const registration = await navigator.serviceWorker.register("/worker.js");
    await navigator.serviceWorker.ready;
    if (await Notification.requestPermission() !== "granted") throw new Error("You did not allow messages, so nothing was changed.");
    const old = await registration.pushManager.getSubscription();
    if (old) await old.unsubscribe(); // it may belong to an earlier key of the box
    return registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(form.dataset.key) });
  };

  const hand = async (subscription) => {
    const headers = { "Content-Type": "application/json" };
    if (form.elements.key) headers.Authorization = "Bearer " + form.elements.key.value;
    const answer = await fetch("/api/v1/phones", { method: "POST", headers, body: JSON.stringify({ by: form.dataset.by, name: form.elements.name.value, subscription }) });
    if (answer.ok) return;
    const problem = await answer.json().catch(() => ({}));
    throw new Error("The box did not take it: " + (problem.detail || answer.status) + ".");
  };

  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const button = form.querySelector("button");
    button.disabled = true;
    words.textContent = "One moment.";
    try {
      const subscription = await subscribe();
      try {
        await hand(subscription.toJSON());
      } catch (err) {
        await subscription.unsubscribe();
        throw err;
      }
      location.assign("/phones?said=installed");
    } catch (err) {
      words.textContent = err.message;
      button.disabled = false;
    }
  });

  form.elements.name.value = iPhone ? "iPhone" : /Android/.test(navigator.userAgent) ? "Android phone" : "Computer";
  const why = obstacle();
  form.hidden = why !== "";
  words.textContent = why;
  if (isSecureContext && "serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();
