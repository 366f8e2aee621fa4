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
  for (const item of Queue.items()) {
    for (const [name, value] of Object.entries(item.fields)) {
      const tapped = [...form.querySelectorAll("input[type=radio]")].find((i) => i.name === name && i.value === value);
      if (tapped) tapped.checked = true;
    }
  }
  form.addEventListener("change", async (event) => {
    counts();
    await Queue.send(location.pathname, { [event.target.name]: event.target.value });
  });
})();
