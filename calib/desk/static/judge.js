// Judging by eye: every tap is kept at once.
"use strict";
(() => {
  const form = document.getElementById("judging");
  const counts = () => {
    const done = new Set([...form.querySelectorAll("input[type=radio]:checked")].map((i) => i.name)).size;
    const bar = document.getElementById("progress");
    bar.value = done;
    document.getElementById("count").textContent = `${done} of ${bar.max}`;
  };
  const show = (name, value) => {
    const tapped = [...form.querySelectorAll("input[type=radio]")].find((i) => i.name === name && i.value === value);
    if (tapped) tapped.checked = true;
  };
  for (const item of Queue.items()) for (const [name, value] of Object.entries(item.fields)) show(name, value);

  // What another taps turns up here, and a tap that was under way while this page was read anew.
  const base = location.pathname.replace(/\/judge$/, "");
  let version = "";
  const look = async () => {
    if (document.hidden || Queue.length) return;
    try {
      const answer = await fetch(`${base}/readings?since=${encodeURIComponent(version)}`, { headers: { accept: "application/json" }, signal: AbortSignal.timeout(2500) });
      const said = await answer.json();
      if (!said.readings || Queue.length) return;
      version = said.version;
      for (const r of said.readings) show(`j.${r.feature}`, r.text);
      counts();
    } catch { /* no connection: it is asked again */ }
  };
  setInterval(look, 2000);
  look();
  form.addEventListener("change", async (event) => {
    counts();
    await Queue.send(location.pathname, { [event.target.name]: event.target.value });
  });
})();
