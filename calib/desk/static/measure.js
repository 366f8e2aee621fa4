// Measuring: Enter keeps a reading and goes on; the picture moves to the next place.
"use strict";
(() => {
  const page = JSON.parse(document.getElementById("cells").textContent);
  const cells = page.cells, form = document.getElementById("reading"), field = document.getElementById("value");
  if (!field) return; // the page asks about a slip; the buttons are plain
  const base = location.pathname.replace(/\/measure$/, "");
  const el = (id) => document.getElementById(id);
  const ask = el("ask-again"), problem = el("problem"), last = el("last");
  let version = page.version;
  let at = cells.findIndex((c) => c.id === form.elements.feature.value && String(c.repeat) === form.elements.repeat.value);
  if (at < 0) at = 0;

  const done = () => cells.filter((c) => c.text).length;
  const counts = () => {
    el("count").textContent = `${done()} of ${cells.length}`;
    el("progress").value = done();
    el("progress").max = cells.length;
    const all = done() >= cells.length;
    el("finish").classList.toggle("main", all);
    el("finish").firstChild.textContent = all ? "What does it mean? " : "Enough: what does it mean? ";
  };

  const show = (i, { focus = true } = {}) => {
    at = i;
    const cell = cells[i];
    el("number").textContent = cell.number;
    el("where").textContent = cell.repeat > 1 ? `${cell.where} (once more)` : cell.where;
    el("how").textContent = cell.how;
    el("unit").textContent = cell.unit;
    el("unit-in-words").textContent = cell.unit;
    el("expected").textContent = cell.expected;
    form.elements.feature.value = cell.id;
    form.elements.repeat.value = cell.repeat;
    field.value = cell.text;
    ask.hidden = problem.hidden = true;
    const picture = el("close-up");
    if (picture && cell.close_up) {
      for (const image of picture.querySelectorAll("image")) image.toggleAttribute("hidden", image.dataset.view !== cell.close_up.view);
      move(picture, cell.close_up.window);
      el("marks").innerHTML = cell.close_up.marks; // drawn by the desk itself, escaped there
      picture.setAttribute("aria-label", `Where to measure: ${cell.where}`);
      el("axis").textContent = cell.seen;
      el("axis").hidden = !cell.seen;
    }
    document.title = `${cell.number} of ${cells.length}: measure · Truebead`;
    history.replaceState(null, "", `${location.pathname}?at=${cell.id}&repeat=${cell.repeat}`);
    if (focus) { field.focus(); field.select(); }
    counts();
  };

  // Go to the next window in a quarter of a second, so that one sees where on the piece it is.
  let moving = 0;
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const move = (picture, to) => {
    const from = picture.getAttribute("viewBox").split(" ").map(Number), goal = to.split(" ").map(Number);
    cancelAnimationFrame(moving);
    if (still) { picture.setAttribute("viewBox", to); return; }
    const begin = performance.now();
    const step = (now) => {
      const t = Math.min(1, (now - begin) / 250), s = t * t * (3 - 2 * t);
      picture.setAttribute("viewBox", from.map((v, i) => v + (goal[i] - v) * s).join(" "));
      if (t < 1) moving = requestAnimationFrame(step);
    };
    moving = requestAnimationFrame(step);
  };

  const following = () => {
    for (let k = 1; k <= cells.length; k += 1) {
      const i = (at + k) % cells.length;
      if (!cells[i].text) return i;
    }
    return -1;
  };
  const onwards = () => {
    const next = following();
    if (next >= 0) show(next);
    else { counts(); last.textContent = "That is all of it."; el("finish").focus(); }
  };

  const tell = (text) => { problem.textContent = text; problem.hidden = !text; };
  const question = (said, cell, typed) => {
    ask.replaceChildren();
    const p = document.createElement("p");
    p.textContent = said.words;
    const row = document.createElement("div");
    row.className = "row";
    const choice = (words, main, act) => {
      const b = document.createElement("button");
      b.type = "button";
      b.textContent = words;
      if (main) b.className = "main";
      b.addEventListener("click", act);
      row.append(b);
      return b;
    };
    const buttons = [];
    if (said.proposal) buttons.push(choice(`It is ${said.proposed}`, true, () => keep(said.proposal, true)));
    buttons.push(choice(`${typed} is right`, !said.proposal, () => keep(typed, true)));
    buttons.push(choice("Measure again", false, () => { ask.hidden = true; field.focus(); field.select(); }));
    ask.append(p, row);
    ask.hidden = false;
    buttons[0].focus();
  };

  const PATIENCE = 350; // ms that the page waits for the desk before it goes on by itself
  let busy = false;
  const keep = async (text, sure = false) => {
    if (busy) return;
    const cell = cells[at], before = cell.text;
    cell.text = text;
    busy = field.readOnly = true;
    const fields = { feature: cell.id, repeat: cell.repeat, text };
    if (sure) fields.sure = "1";
    const sent = Queue.send(`${base}/reading`, fields);
    const said = await Promise.race([sent, new Promise((go) => { setTimeout(go, PATIENCE, "later"); })]);
    busy = field.readOnly = false;
    if (said === "later") {
      sent.then((answer) => { if (answer) later(answer, fields); });
      last.textContent = `${cell.number}: ${text} is on its way.`;
      onwards();
      return;
    }
    if (said?.error) { cell.text = before; counts(); tell(said.error); field.focus(); field.select(); return; }
    if (said) { version = said.version; cell.text = said.text; }
    if (said?.question) { counts(); question(said.question, cell, text); return; }
    last.textContent = text === "-" ? `${cell.number} is left out.` : `${cell.number}: ${text} ${said ? "is kept" : "waits for the connection"}.`;
    onwards();
  };

  // The desk's answer to a reading that was sent before; the page has gone on meanwhile.
  const later = (said, fields) => {
    const cell = cells.find((c) => c.id === fields.feature && c.repeat === Number(fields.repeat));
    if (!cell) return;
    if (said.error) cell.text = "";
    else { cell.text = said.text; version = said.version; }
    const words = said.error ?? said.question?.words;
    last.textContent = `${cell.number}: ${words ?? `${said.text} is kept.`}`;
    if (words) {
      const look = document.createElement("button");
      look.type = "button";
      look.textContent = "Look again";
      look.addEventListener("click", () => {
        show(cells.indexOf(cell));
        if (said.question) question(said.question, cell, said.text);
      });
      last.append(" ", look);
    }
    counts();
  };
  Queue.later(later);
  for (const item of Queue.items()) {
    const cell = cells.find((c) => c.id === item.fields.feature && c.repeat === Number(item.fields.repeat));
    if (cell) cell.text = item.fields.text;
  }

  form.addEventListener("submit", (event) => {
    const way = event.submitter?.value;
    if (event.submitter?.name === "go" && way === "again") return; // the desk knows whether there is room
    event.preventDefault();
    if (event.submitter?.name === "go" && way === "back") { show(Math.max(0, at - 1)); return; }
    if (event.submitter?.name === "go" && way === "skip") { keep("-"); return; }
    const text = field.value.trim();
    if (!text) { tell("Nothing is written yet. Write what it shows, or skip this one."); return; }
    if (text === cells[at].text) { onwards(); return; }
    keep(text);
  });
  // Enter in the field keeps, whatever button stands first in the form.
  field.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    form.requestSubmit(el("keep"));
  });

  // Two people at one sheet: what the other measured turns up here.
  const look = async () => {
    if (document.hidden || Queue.length || busy) return;
    try {
      const answer = await fetch(`${base}/readings?since=${encodeURIComponent(version)}`, { headers: { accept: "application/json" }, signal: AbortSignal.timeout(2500) });
      const said = await answer.json();
      if (!said.readings || Queue.length || busy) return;
      version = said.version;
      for (const r of said.readings) {
        const cell = cells.find((c) => c.id === r.feature && c.repeat === r.repeat);
        if (!cell || cell.text === r.text) continue;
        const here = cell === cells[at];
        const untouched = field.value.trim() === cell.text;
        cell.text = r.text;
        if (here && untouched) { field.value = r.text; field.select(); }
        last.textContent = `${cell.number}: ${r.by ? `${r.by} measured` : "somebody else measured"} ${r.text}.`;
      }
      counts();
    } catch { /* no connection: it is asked again */ }
  };
  setInterval(look, 2000);
  show(at, { focus: !ask.hidden ? false : true });
})();
