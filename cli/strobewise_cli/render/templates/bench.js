"use strict";
// The bench page: sends what is measured, done or dropped, with the page's token, and shows the case anew when it has changed.
(() => {
  const meta = name => document.querySelector(`meta[name="${name}"]`).content;
  const token = meta("bench-token"), shown = Number(meta("bench-version"));
  const trouble = document.getElementById("trouble"), busy = document.getElementById("busy");
  const LOOK_EVERY = 2000;
  let working = false;

  function complain(text) {
    trouble.textContent = text;
    trouble.hidden = false;
    trouble.scrollIntoView({ block: "center" });
  }
  async function send(method, path, body) {
    if (working) return false;
    working = true;
    trouble.hidden = true;
    if (busy) busy.hidden = false;
    document.body.classList.add("working");
    try {
      const answer = await fetch(path, { method, body, headers: { "x-bench-token": token }, credentials: "same-origin" });
      if (answer.ok) return true;
      const text = await answer.text();
      try { complain(JSON.parse(text).error); } catch { complain(text); }
    } catch {
      complain("The bench does not answer: does strobewise bench still run?");
    } finally {
      working = false;
      if (busy) busy.hidden = true;
      document.body.classList.remove("working");
    }
    return false;
  }
  // After a change of one's own the page begins at its top, with the verdict and what is next; after one of somebody else's it stays.
  history.scrollRestoration = "auto";
  function again() { history.scrollRestoration = "manual"; location.reload(); }
  async function change(path, told) { if (await send("POST", path, JSON.stringify(told))) again(); }
  function fields(form) {
    const told = {};
    for (const field of form.elements) {
      if (!field.name || (field.type === "radio" && !field.checked)) continue;
      told[field.name] = field.type === "checkbox" ? field.checked : field.value;
    }
    return told;
  }
  function onSubmit(form, run) {
    form.addEventListener("submit", event => { event.preventDefault(); run(form); });
  }

  const begin = document.getElementById("begin");
  if (begin) onSubmit(begin, form => change("/case", fields(form)));
  document.querySelectorAll("form.answer").forEach(form => onSubmit(form, () => change("/answers", { ...JSON.parse(form.dataset.answer), ...fields(form) })));
  document.querySelectorAll("form.withdraw").forEach(form => onSubmit(form, () => change("/withdrawals", { number: Number(form.dataset.number), ...fields(form) })));
  document.querySelectorAll("form.closing").forEach(form => onSubmit(form, () => change("/closing", fields(form))));
  const other = document.getElementById("other");
  if (other) onSubmit(other, form => change("/answers", fields(form)));

  // Tick boxes stay ticked as long as the step is the same; a step's answers wait until its cautions were read.
  const next = document.getElementById("next");
  if (next) {
    const key = `bench ${location.pathname} ${next.dataset.step}`;
    const ticks = [...next.querySelectorAll("[data-tick]")], gates = [...next.querySelectorAll("[data-gate]")];
    let kept = [];
    try { kept = JSON.parse(sessionStorage.getItem(key)) || []; } catch { kept = []; }
    const held = [...next.querySelectorAll("form.answer button, #file, #record")];
    const settle = () => {
      const read = gates.every(gate => gate.checked);
      held.forEach(control => { control.disabled = !read; });
      next.classList.toggle("unread", !read);
    };
    ticks.forEach(tick => {
      tick.checked = kept.includes(tick.dataset.tick);
      tick.addEventListener("change", () => {
        sessionStorage.setItem(key, JSON.stringify(ticks.filter(t => t.checked).map(t => t.dataset.tick)));
        settle();
      });
    });
    settle();
  }

  const drop = document.getElementById("drop");
  if (drop) {
    const file = document.getElementById("file"), planned = document.getElementById("planned");
    const take = async files => {
      if (file.disabled) { complain("Read the caution of the step first, and tick it."); return; }
      for (const each of files) {
        const asked = new URLSearchParams({
          name: each.name, planned: planned && planned.checked ? "1" : "0",
          minutes: document.getElementById("minutes").value, note: document.getElementById("note").value,
        });
        if (!await send("PUT", `/captures?${asked}`, each)) return;
      }
      if (files.length) again();
    };
    const record = document.getElementById("record");
    if (record) record.addEventListener("click", () => change("/records", {
      minutes: document.getElementById("minutes").value, note: document.getElementById("note").value,
    }));
    file.addEventListener("change", () => take([...file.files]));
    addEventListener("dragover", event => { event.preventDefault(); drop.classList.add("over"); });
    addEventListener("dragleave", event => { if (!event.relatedTarget) drop.classList.remove("over"); });
    addEventListener("drop", event => { event.preventDefault(); drop.classList.remove("over"); take([...event.dataTransfer.files]); });
  }

  // The watched folder, and a second window, change the case as well; nobody is interrupted who is writing.
  setInterval(async () => {
    if (working || document.hidden || (document.activeElement && document.activeElement.matches("input:not([type=checkbox]), select"))) return;
    try {
      const answer = await fetch("/version", { credentials: "same-origin" });
      if (answer.ok && (await answer.json()).version !== shown && !working) location.reload();
    } catch { /* it is told when something is sent */ }
  }, LOOK_EVERY);
})();
