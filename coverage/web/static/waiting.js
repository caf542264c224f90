// What a phone still has to send: kept on the phone first, and sent until the machine says that it has it.
"use strict";
// key : under which it waits. at : where it is sent, and asked for. name : what the list is called when it is sent.
// gone : what to say where the address is no longer taken. take : takes an answer. show : is called after each change.
window.waitingLine = function (key, at, name, gone, take, show) {
  const PHONE = "fieldcomb phone", AGAIN_MS = 8000, MOST_SENT = 1000;
  let asking = false, reached = true, problem = "";

  function made() {
    const bytes = crypto.getRandomValues(new Uint8Array(12));
    return Array.from(bytes, function (byte) { return byte.toString(16).padStart(2, "0"); }).join("");
  }
  // A browser that keeps nothing still works, for as long as the page is open.
  const held = {};
  function load(key) {
    try { return localStorage.getItem(key) || held[key] || ""; } catch { return held[key] || ""; }
  }
  function save(key, text) {
    held[key] = text;
    try { localStorage.setItem(key, text); } catch { /* held is all there is */ }
  }
  function parsed(key, otherwise) {
    try { return JSON.parse(load(key)) || otherwise; } catch { return otherwise; }
  }
  function waiting() { return parsed(key, []); }
  const phone = load(PHONE) || made();
  save(PHONE, phone);

  function taken(found) {
    // What was done while this was under way stays.
    const over = (found.kept || []).concat(Array.isArray(found.refused) ? [] : Object.keys(found.refused || {}));
    save(key, JSON.stringify(waiting().filter(function (one) { return !over.includes(one.id); })));
    take(found);
    reached = true;
    problem = "";
  }
  function answered(answer) {
    if (answer.ok) { return answer.json().then(taken); }
    reached = true;
    if (answer.status === 403 || answer.status === 404) {
      problem = gone;
      return undefined;
    }
    return answer.json().then(function (said) { problem = said.problem || "Not kept yet: " + answer.status; });
  }
  // The machine is asked for what others did, or is sent what waits here.
  function ask() {
    const list = waiting();
    if (asking) { return; }
    asking = true;
    const body = JSON.stringify({ phone: phone, [name]: list.slice(0, MOST_SENT) });
    const sent = { method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json" }, body: body };
    const look = function () { return fetch(at, { cache: "no-store", headers: { Accept: "application/json" } }); };
    // Another start of fieldcomb takes nothing that is sent to this page's address, and says why when it is only asked.
    const put = function () {
      return fetch(at, sent).then(function (answer) {
        return answer.ok || (answer.headers.get("Content-Type") || "").includes("json") ? answer : look();
      }, look);
    };
    (list.length ? put() : look()).then(answered).catch(function () { reached = false; }).finally(function () {
      asking = false;
      show();
    });
  }
  function keep(one) {
    save(key, JSON.stringify(waiting().concat([one])));
    show();
    ask();
  }
  function begin() {
    // Pulling the page down would reload it, and a browser that can asks before it lets go of a page out of reach.
    document.documentElement.classList.add("stay");
    window.addEventListener("beforeunload", function (event) { if (!reached) { event.preventDefault(); } });
    window.addEventListener("online", ask);
    window.addEventListener("pageshow", ask);
    document.addEventListener("visibilitychange", ask);
    setInterval(ask, AGAIN_MS);
    show();
    ask();
  }
  return {
    ask: ask, begin: begin, keep: keep, load: load, made: made, parsed: parsed, phone: phone, save: save, waiting: waiting,
    problem: function () { return problem; }, reached: function () { return reached; },
  };
};
