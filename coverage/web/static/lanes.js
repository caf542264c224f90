// Ticks of lanes. Each is kept on the page first and sent after that, until the machine says that it has it.
"use strict";
(function () {
  const list = document.getElementById("lanes"), told = document.getElementById("told");
  const WAITING = "fieldcomb ticks " + list.dataset.plan, PHONE = "fieldcomb phone", AGAIN_MS = 8000;
  let sending = false;

  function made() {
    const bytes = crypto.getRandomValues(new Uint8Array(12));
    return Array.from(bytes, function (byte) { return byte.toString(16).padStart(2, "0"); }).join("");
  }
  // A browser that keeps nothing still ticks, for as long as the page is open.
  const held = {};
  function load(key) {
    try { return localStorage.getItem(key) || held[key] || ""; } catch { return held[key] || ""; }
  }
  function save(key, text) {
    held[key] = text;
    try { localStorage.setItem(key, text); } catch { /* held is all there is */ }
  }
  function waiting() {
    try { return JSON.parse(load(WAITING) || "[]"); } catch { return []; }
  }
  const phone = load(PHONE) || made();
  save(PHONE, phone);

  function rows() { return Array.from(list.children); }
  function show(row, state) {
    row.dataset.done = state;
    row.querySelectorAll("button").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.state === state && state !== ""));
    });
  }
  function tell() {
    const many = waiting().length;
    const done = rows().filter(function (row) { return (row.dataset.done || row.dataset.sheet) === "y"; }).length;
    const rest = many ? ". " + many + (many === 1 ? " tick waits" : " ticks wait") + " here to be sent" : ". All ticks are kept";
    told.textContent = done + " of " + rows().length + " lanes done" + rest + ".";
  }

  function send() {
    const ticks = waiting();
    if (sending || !ticks.length) { tell(); return; }
    sending = true;
    const body = JSON.stringify({ phone: phone, ticks: ticks });
    fetch(list.dataset.to, { method: "POST", headers: { "Content-Type": "application/json" }, body: body }).then(function (answer) {
      if (!answer.ok) { throw new Error(String(answer.status)); }
      return answer.json();
    }).then(function (found) {
      // What was ticked while this was under way stays.
      save(WAITING, JSON.stringify(waiting().filter(function (tick) { return !found.kept.includes(tick.id); })));
      const mine = new Set(waiting().map(function (tick) { return tick.lane; }));
      rows().forEach(function (row) {
        const lane = Number(row.dataset.lane);
        if (!mine.has(lane) && lane in found.states) { show(row, found.states[lane]); }
      });
    }).catch(function () { /* tried again below */ }).finally(function () {
      sending = false;
      tell();
    });
  }

  list.addEventListener("click", function (event) {
    const button = event.target.closest("button");
    if (!button) { return; }
    const row = button.closest("li"), state = row.dataset.done === button.dataset.state ? "" : button.dataset.state;
    const tick = { id: made(), lane: Number(row.dataset.lane), done: state, at_ms: Date.now() };
    save(WAITING, JSON.stringify(waiting().concat([tick])));
    show(row, state);
    send();
  });
  // Ticks that were waiting when the page was closed are shown again.
  waiting().forEach(function (tick) {
    const row = rows().find(function (one) { return Number(one.dataset.lane) === tick.lane; });
    if (row) { show(row, tick.done); }
  });
  window.addEventListener("online", send);
  document.addEventListener("visibilitychange", send);
  setInterval(send, AGAIN_MS);
  send();
})();
