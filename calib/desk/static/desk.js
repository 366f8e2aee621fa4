// What makes pages quicker to use; every page works without it.
"use strict";
(() => {
  // Words explain themselves beside where they stand.
  for (const button of document.querySelectorAll("button.word")) {
    const note = document.getElementById(button.getAttribute("popovertarget"));
    note?.addEventListener("toggle", (event) => {
      if (event.newState !== "open") return;
      const at = button.getBoundingClientRect(), size = note.getBoundingClientRect();
      const left = Math.min(Math.max(8, at.left), innerWidth - size.width - 8);
      const below = at.bottom + 6 + size.height < innerHeight;
      note.style.margin = "0";
      note.style.left = `${left}px`;
      note.style.top = `${below ? at.bottom + 6 : Math.max(8, at.top - size.height - 6)}px`;
    });
  }

  // What is typed of a spool's name finds the spools that it fits.
  for (const input of document.querySelectorAll("input[data-suggest]")) {
    let waiting = 0;
    input.addEventListener("input", () => {
      clearTimeout(waiting);
      waiting = setTimeout(async () => {
        const typed = input.value, answer = await fetch(`${input.dataset.suggest}?find=${encodeURIComponent(typed)}`).catch(() => null);
        if (!answer?.ok || input.value !== typed) return;
        input.list.replaceChildren(...(await answer.json()).map((name) => new Option(name)));
      }, 150);
    });
  }

  // Values are copied with one tap.
  for (const button of document.querySelectorAll("button[data-copy]")) {
    button.hidden = !navigator.clipboard;
    button.addEventListener("click", async () => {
      await navigator.clipboard.writeText(button.dataset.copy);
      const said = button.querySelector("span"), before = said.textContent;
      said.textContent = "Copied";
      setTimeout(() => { said.textContent = before; }, 1500);
    });
  }

  // A file can be dropped on its box.
  for (const box of document.querySelectorAll("form.drop")) {
    const input = box.querySelector("input[type=file]");
    box.addEventListener("dragover", (event) => { event.preventDefault(); box.classList.add("over"); });
    box.addEventListener("dragleave", () => box.classList.remove("over"));
    box.addEventListener("drop", (event) => {
      event.preventDefault();
      box.classList.remove("over");
      if (event.dataTransfer.files.length) input.files = event.dataTransfer.files;
    });
  }

  // Nobody posts twice by tapping twice; the button says that it was felt.
  for (const form of document.querySelectorAll("form[method=post]:not(#reading)")) {
    form.addEventListener("submit", () => {
      setTimeout(() => { for (const b of form.querySelectorAll("button")) b.disabled = true; }, 0);
    });
  }
  addEventListener("pageshow", (event) => {
    if (event.persisted) for (const b of document.querySelectorAll("form button:disabled")) b.disabled = false;
  });

  // Long work tells how far it is.
  const work = document.getElementById("work");
  if (work) {
    const bar = work.querySelector("progress"), said = work.querySelector("[role=status]");
    const events = new EventSource(work.dataset.events);
    events.addEventListener("share", (event) => {
      const share = Number(event.data);
      bar.value = share;
      said.textContent = `${Math.round(share * 100)} %`;
    });
    events.addEventListener("over", () => { events.close(); location.reload(); });
  }

  // A photo is shown before it is sent.
  const photo = document.querySelector("input[type=file][data-preview]");
  photo?.addEventListener("change", () => {
    const shown = document.getElementById(photo.dataset.preview), file = photo.files[0];
    shown.hidden = !file;
    if (file) shown.querySelector("img").src = URL.createObjectURL(file);
  });
})();
