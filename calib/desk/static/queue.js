// Readings on their way to the desk: kept in the browser until the desk says that it has them.
"use strict";
const Queue = (() => {
  const path = location.pathname.split("/").slice(0, 3).join("/");
  const key = `truebead${path}`;
  const listeners = [];
  let waiting = [];
  try { waiting = JSON.parse(localStorage.getItem(key)) ?? []; } catch { waiting = []; }
  const shown = document.getElementById("waiting");
  let token = document.querySelector("input[name=token]")?.value ?? "";
  let sending = false, lost = waiting.length > 0;

  // A desk that was started anew gives another token; what waits is then sent with that.
  const renew = async () => {
    const answer = await fetch(`${path}/readings?since=token`, { headers: { accept: "application/json" }, signal: AbortSignal.timeout(2500) });
    const said = await answer.json();
    const changed = said.token && said.token !== token;
    if (changed) token = said.token;
    return changed;
  };

  const save = () => {
    try {
      if (waiting.length) localStorage.setItem(key, JSON.stringify(waiting));
      else localStorage.removeItem(key);
    } catch { /* without storage they are kept as long as the page is open */ }
    if (!shown) return;
    shown.hidden = !(waiting.length && lost);
    shown.textContent = shown.hidden ? "" : `${waiting.length} waiting for the connection`;
  };

  const post = async (item, limit, again = false) => {
    const form = new FormData();
    for (const [name, value] of Object.entries(item.fields)) form.append(name, value);
    const answer = await fetch(item.to, {
      method: "POST", body: form, headers: { accept: "application/json", "x-desk-token": token },
      keepalive: true, signal: AbortSignal.timeout(limit),
    });
    if (answer.status >= 500) throw new Error("the desk can't answer now");
    if (answer.status === 403 && !again && await renew()) return post(item, limit, true);
    if (answer.status === 403 || answer.redirected) throw new Error("this device is not let in any more");
    const said = await answer.json().catch(() => ({}));
    if (!answer.ok && !said.error) said.error = "The desk does not take this.";
    return said;
  };

  // Send one reading. Returns what the desk says, or null where it waits for the connection.
  const send = async (to, fields) => {
    const item = { to, fields: { ...fields, client_id: `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 10)}` } };
    waiting.push(item);
    save();
    if (waiting.length > 1 || sending) { flush(); return null; }
    sending = true;
    try {
      const said = await post(item, 2500);
      waiting.shift();
      lost = false;
      save();
      return said;
    } catch {
      lost = true;
      save();
      return null;
    } finally {
      sending = false;
      if (waiting.length && waiting[0] !== item) flush();
    }
  };

  // Send what waits, in order; what the desk refuses is told and not kept for ever.
  const flush = async () => {
    if (sending || !waiting.length) return;
    sending = true;
    try {
      while (waiting.length) {
        const said = await post(waiting[0], 8000);
        const item = waiting.shift();
        lost = waiting.length > 0;
        save();
        for (const listen of listeners) listen(said, item.fields);
      }
    } catch {
      lost = true;
      save();
    } finally { sending = false; }
  };

  addEventListener("online", flush);
  addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
  setInterval(flush, 3000);
  addEventListener("beforeunload", (event) => { if (waiting.length) event.preventDefault(); });
  save();
  flush();
  return { send, flush, later: (listen) => listeners.push(listen), get length() { return waiting.length; }, items: () => waiting };
})();
