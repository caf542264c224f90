// Ticks of lanes. Each is kept on the page first and sent after that, until the machine says that it has it: waiting.js.
"use strict";
(function () {
  const list = document.getElementById("lanes"), told = document.getElementById("told"), undo = document.getElementById("undo");
  const following = document.getElementById("next");
  const plan = list.dataset.plan, WAITING = "fieldcomb ticks " + plan, MINE = "fieldcomb mine " + plan, LAST = "fieldcomb lanes " + plan;
  const MOST_MINE = 50, BLANK = ["", null, null];
  const SHEET = { y: "sheet: done", part: "sheet: part", n: "sheet: not" };
  const GONE = "fieldcomb was started again, or the plan is gone. Open the address that it shows now on this phone: ticks that wait here are sent from there.";
  const line = window.waitingLine(WAITING, list.dataset.at, "ticks", GONE, take, show);
  const made = line.made, save = line.save, parsed = line.parsed, waiting = line.waiting, keep = line.keep;

  // What a tick makes of a lane: its state, and when it was begun and finished. The machine reckons in the same way.
  function after(before, tick) {
    if (tick.done === "undo") { return tick.was; }
    if (tick.done === "start") { return [before[0], tick.at_ms, null]; }
    return tick.done === "y" || tick.done === "part" ? [tick.done, before[1], tick.at_ms] : [tick.done, null, null];
  }
  function lanes() {
    const found = Object.assign({}, parsed(LAST, {}).lanes);
    waiting().forEach(function (tick) { found[tick.lane] = after(found[tick.lane] || BLANK, tick); });
    return found;
  }
  function underWay(lane) { return lane[1] !== null && lane[2] === null; }
  function clock(at) {
    const day = new Date(at);
    return String(day.getHours()).padStart(2, "0") + ":" + String(day.getMinutes()).padStart(2, "0");
  }

  // Lanes whose ground was closed after they were planned: as the machine said last, or else as the page was made.
  function shut(last) { return new Set(last.closed || JSON.parse(list.dataset.closed)); }

  function show() {
    const now = lanes(), last = parsed(LAST, {}), sheet = last.sheet || {}, closed = shut(last);
    let done = 0, next = null;
    Array.from(list.children).forEach(function (row) {
      const number = row.dataset.lane, lane = now[number] || BLANK, state = lane[0] || sheet[number] || "";
      row.dataset.done = state;
      row.classList.toggle("under-way", underWay(lane));
      row.classList.toggle("closed", closed.has(Number(number)));
      row.querySelector(".shut").textContent = closed.has(Number(number)) ? "closed, do not walk" : "";
      row.querySelectorAll("button").forEach(function (button) {
        if (button.dataset.state === "start") { button.disabled = closed.has(Number(number)) && !underWay(lane); }
        const on = button.dataset.state === "start" ? underWay(lane) : button.dataset.state === lane[0];
        button.setAttribute("aria-pressed", String(on));
      });
      const from = lane[1] === null ? "" : clock(lane[1]), to = lane[2] === null ? "" : clock(lane[2]);
      row.querySelector(".times").textContent = from && to ? from + "–" + to : from ? "since " + from : to ? "at " + to : "";
      row.querySelector(".sheet").textContent = SHEET[sheet[number]] || "";
      done += state === "y";
      if (next === null && state !== "y" && !closed.has(Number(number))) { next = number; }
    });
    tell(done, next, last);
  }
  function tell(done, next, last) {
    const many = waiting().length, ticks = many + (many === 1 ? " tick waits" : " ticks wait") + " here";
    const rest = !many ? "All ticks are kept." : line.reached() ? ticks + " to be sent." : "Out of reach: " + ticks + ". Do not reload.";
    told.textContent = done + " of " + list.children.length + " lanes done. " + (next ? "Next: lane " + next + ". " : "") + rest;
    undo.disabled = !parsed(MINE, []).length;
    following.hidden = !next;
    following.dataset.lane = next || "";
    following.textContent = "Go to " + next;
    const lines = (last.wrong || []).concat(last.refused || [], line.problem() || []), two = last.otherwise || [];
    if (two.length) { lines.push("Two phones say different things of " + (two.length > 1 ? "lanes " : "lane ") + two.join(", ") + ". What was ticked last holds."); }
    const place = document.getElementById("wrong");
    if (place.textContent !== lines.join("")) {
      place.replaceChildren.apply(place, lines.map(function (line) {
        const item = document.createElement("li");
        item.className = "warn";
        item.textContent = line;
        return item;
      }));
    }
  }

  function take(found) { save(LAST, JSON.stringify(Object.assign(parsed(LAST, {}), { refused: [] }, found))); }
  list.addEventListener("click", function (event) {
    const button = event.target.closest("button");
    if (!button) { return; }
    const number = Number(button.closest("li").dataset.lane), was = lanes()[number] || BLANK, state = button.dataset.state;
    const mine = parsed(MINE, []), begun = mine.filter(function (tick) { return tick.lane === number; }).pop();
    if (state === "start" && underWay(was) && begun && begun.done === "start") { back(begun); return; }
    const again = state === was[0] && !underWay(was);
    const tick = { id: made(), lane: number, done: again ? "" : state, at_ms: Date.now(), was: was };
    save(MINE, JSON.stringify(mine.concat([tick]).slice(-MOST_MINE)));
    keep(tick);
  });
  function back(tick) {
    save(MINE, JSON.stringify(parsed(MINE, []).filter(function (one) { return one.id !== tick.id; })));
    keep({ id: made(), lane: tick.lane, done: "undo", at_ms: Date.now(), undoes: tick.id, was: tick.was });
  }
  // To the first lane that is left, as far down as it may be; the keyboard goes there, too.
  following.addEventListener("click", function () {
    const row = list.querySelector('[data-lane="' + following.dataset.lane + '"]');
    row.scrollIntoView({ block: "center" });
    row.querySelector("button:enabled").focus({ preventScroll: true });
  });
  undo.addEventListener("click", function () {
    const last = parsed(MINE, []).pop();
    if (last) { back(last); }
  });

  line.begin();
})();
