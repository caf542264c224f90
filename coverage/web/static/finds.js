// Cards of finds. What is typed is kept on the phone first and sent after that: waiting.js. Pictures wait beside it.
"use strict";
(function () {
  const page = document.getElementById("finds"), told = document.getElementById("told"), undo = document.getElementById("undo");
  const site = page.dataset.site, LAST = "fieldcomb cards " + site, MINE = "fieldcomb typed " + site, REFUSED = "fieldcomb refused " + site;
  const MOST_MINE = 50, PAUSE_MS = 1500, AGAIN_MS = 8000;
  const GONE = "fieldcomb was started again, or the site is gone. Open the address that it shows now on this phone: what waits here is sent from there.";
  // Column, label, keyboard, and whether it is among the first.
  const FIELDS = [
    ["what", "What it is", "", true], ["number", "Target number", "", true], ["depth_cm", "Depth in cm", "decimal", true], ["period", "Period", "", true],
    ["from_year", "From year (BCE: −)", "", false], ["to_year", "To year", "", false], ["material", "Material", "", false], ["count", "Pieces", "numeric", false],
    ["weight_g", "Weight in g", "decimal", false], ["condition", "Condition", "", false], ["layer", "Layer: topsoil, fill or below", "", false],
    ["in_situ", "In place (y or n)", "", false], ["hole", "Hole (the same for all from one)", "", false], ["finder", "Finder", "", false], ["coil", "Coil", "", false],
    ["kept_at", "Kept at", "", false], ["note", "Note", "", false],
  ];
  const KINDS = [["keep", "Keep"], ["junk", "Junk"], ["left", "Left"]];
  const line = window.waitingLine("fieldcomb finds " + site, page.dataset.at, "changes", GONE, take, show);
  const parsed = line.parsed, save = line.save;
  let pictureProblem = "";

  function take(found) {
    let all = found.cards;
    if (found.some) { // only those that were sent: the rest stays as it was
      const fresh = {};
      all.forEach(function (card) { fresh[card.find_no] = card; });
      all = (parsed(LAST, {}).cards || []).map(function (card) { return fresh[card.find_no] || card; });
    }
    save(LAST, JSON.stringify({ cards: all, notes: found.notes }));
    const lines = Object.values(found.refused || {});
    if (lines.length) { save(REFUSED, JSON.stringify(parsed(REFUSED, []).concat(lines).slice(-20))); }
  }
  // What a card says: what the machine has, and over it what waits here.
  function cards() {
    const found = (parsed(LAST, {}).cards || []).map(function (card) { return Object.assign({}, card); });
    const by = {};
    found.forEach(function (card) { by[card.find_no] = card; });
    line.waiting().forEach(function (one) { if (by[one.find]) { by[one.find][one.column] = one.text; } });
    return found;
  }
  function element(name, more, text) {
    const made = Object.assign(document.createElement(name), more);
    if (text !== undefined) { made.textContent = text; }
    return made;
  }

  function change(find, column, text) {
    const card = cards().find(function (one) { return one.find_no === String(find); });
    const plain = text.trim().replace(/\s+/g, " ");
    if (!card || card[column] === plain) { return; }
    const one = { id: line.made(), find: find, column: column, was: card[column], text: plain };
    save(MINE, JSON.stringify(parsed(MINE, []).concat([one]).slice(-MOST_MINE)));
    line.keep(one);
  }
  undo.addEventListener("click", function () {
    const mine = parsed(MINE, []), last = mine.pop();
    if (!last) { return; }
    save(MINE, JSON.stringify(mine));
    line.keep({ id: line.made(), find: last.find, column: last.column, was: last.text, text: last.was });
  });

  function field(card, column, label, keyboard) {
    const find = Number(card.find_no), row = element("div", { className: "stack-item" }), id = "find-" + find + "-" + column;
    const input = element("input", { id: id, value: card[column], autocomplete: "off" });
    input.dataset.column = column;
    if (keyboard) { input.inputMode = keyboard; }
    let pause = 0;
    // Saved on leaving the field, and after a moment without a key, so that a phone that is put away loses nothing.
    input.addEventListener("input", function () {
      clearTimeout(pause);
      pause = setTimeout(function () { change(find, column, input.value); }, PAUSE_MS);
    });
    input.addEventListener("change", function () {
      clearTimeout(pause);
      change(find, column, input.value);
    });
    row.append(element("label", { htmlFor: id }, label), input);
    return row;
  }
  function fill(item, card) {
    const find = Number(card.find_no), body = element("div", { className: "card-fields" }), more = element("details");
    const kinds = element("div", { className: "kinds", role: "group", ariaLabel: "Find " + find + ": kept, junk or left" });
    KINDS.forEach(function (kind) {
      const button = element("button", { type: "button" }, kind[1]);
      button.dataset.kind = kind[0];
      button.addEventListener("click", function () { change(find, "kind", kind[0]); });
      kinds.append(button);
    });
    const photo = element("input", { type: "file", accept: "image/*", id: "find-" + find + "-photo" });
    photo.setAttribute("capture", "environment");
    photo.addEventListener("change", function () { if (photo.files.length) { keepPicture(find, photo.files[0]); photo.value = ""; } });
    const pictures = element("div", { className: "stack-item" });
    pictures.append(element("label", { htmlFor: photo.id }, "Take a picture"), photo, element("div", { className: "pictures" }));
    body.append(kinds);
    more.append(element("summary", {}, "More fields"));
    FIELDS.forEach(function (one) { (one[3] ? body : more).append(field(card, one[0], one[1], one[2])); });
    body.append(pictures, more);
    item.append(body);
  }
  function update(item, card) {
    const said = JSON.stringify(card), body_there = !!item.querySelector(".card-fields");
    if (item.said === said && item.filled === body_there && !document.activeElement.closest(".card-fields")) { return; }
    item.said = said;
    item.filled = body_there;
    const find = card.find_no, body = item.querySelector(".card-fields");
    item.dataset.kind = card.kind;
    item.querySelector("summary").replaceChildren(element("b", { className: "number" }, find), element("span", {}, [card.kind, card.number, card.what].filter(Boolean).join(", ")));
    if (!body) { return; }
    body.querySelectorAll("input[data-column]").forEach(function (input) {
      if (input !== document.activeElement) { input.value = card[input.dataset.column]; }
    });
    body.querySelectorAll("button[data-kind]").forEach(function (button) { button.setAttribute("aria-pressed", String(button.dataset.kind === card.kind)); });
    const place = body.querySelector(".pictures"), names = (card.photo || "").split(";").map(function (name) { return name.trim(); }).filter(Boolean);
    if (place.dataset.names !== names.join(";")) {
      place.dataset.names = names.join(";");
      place.replaceChildren.apply(place, names.map(function (name, n) {
        const link = element("a", { href: page.dataset.photo + "/" + encodeURIComponent(name), target: "_blank", rel: "noopener" });
        link.append(/\.heic$/.test(name) ? "Picture " + (n + 1) + " (HEIC)" : element("img", { src: link.href, alt: "Picture " + (n + 1) + " of find " + find, loading: "lazy" }));
        return link;
      }));
    }
  }
  function show() {
    const groups = {};
    page.querySelectorAll(".finds-of").forEach(function (group) { groups[group.dataset.outing] = group; });
    const now = cards(), there = {};
    page.querySelectorAll(".cards > li").forEach(function (item) { there[item.dataset.find] = item; });
    now.forEach(function (card) {
      const list = (groups[card.outing] || groups[""]).querySelector(".cards");
      let item = there[card.find_no];
      if (!item) {
        item = element("li");
        item.dataset.find = card.find_no;
        const opened = element("details", { className: "card" });
        opened.append(element("summary"));
        opened.addEventListener("toggle", function () {
          if (!opened.open || opened.querySelector(".card-fields")) { return; }
          const fresh = cards().find(function (one) { return one.find_no === card.find_no; });
          fill(opened, fresh);
          update(item, fresh);
        });
        item.append(opened);
      }
      if (item.parentNode !== list) { list.append(item); }
      delete there[card.find_no];
      update(item, card);
    });
    Object.values(there).forEach(function (item) { item.remove(); });
    tell(now);
  }
  function tell(now) {
    const many = line.waiting().length + pictures.length, words = many + (many === 1 ? " change waits" : " changes wait") + " here";
    const rest = !many ? "All is kept." : line.reached() ? words + " to be sent." : "Out of reach: " + words + ". Do not reload.";
    const count = now.length + (now.length === 1 ? " find. " : " finds. ");
    const empty = "No finds yet. Collect them from your marks, or press New find.";
    told.textContent = now.length || many ? count + rest : empty;
    undo.disabled = !parsed(MINE, []).length;
    const lines = (parsed(LAST, {}).notes || []).concat(parsed(REFUSED, [])).concat([line.problem(), pictureProblem].filter(Boolean));
    const place = document.getElementById("wrong");
    if (place.dataset.said !== lines.join("")) {
      place.dataset.said = lines.join("");
      place.replaceChildren.apply(place, lines.map(function (words) { return element("li", { className: "warn" }, words); }));
      if (parsed(REFUSED, []).length) {
        const away = element("button", { type: "button" }, "I have read this");
        away.addEventListener("click", function () { save(REFUSED, "[]"); show(); });
        place.append(away);
      }
    }
  }

  // Pictures are too large for where changes wait: they wait in the browser's own database, or without one on the page.
  let pictures = [], sending = false;
  function store(how, work) {
    return new Promise(function (done, failed) {
      const asked = indexedDB.open("fieldcomb pictures", 1);
      asked.onupgradeneeded = function () { asked.result.createObjectStore("waiting", { keyPath: "id" }); };
      asked.onerror = failed;
      asked.onsuccess = function () {
        const base = asked.result, deal = base.transaction("waiting", how), result = work(deal.objectStore("waiting"));
        deal.oncomplete = function () { base.close(); done(result && result.result); };
        deal.onerror = deal.onabort = function () { base.close(); failed(deal.error); };
      };
    });
  }
  function keepPicture(find, file) {
    const one = { id: line.made(), site: site, find: find, name: file.name, file: file };
    pictures.push(one);
    show();
    store("readwrite", function (waiting) { return waiting.put(one); }).catch(function () { /* it waits on the page */ }).finally(sendPictures);
  }
  function drop(one) {
    pictures = pictures.filter(function (other) { return other.id !== one.id; });
    return store("readwrite", function (waiting) { return waiting.delete(one.id); }).catch(function () { /* it was on the page alone */ });
  }
  function sendPictures() {
    const one = pictures[0];
    if (sending || !one) { return; }
    sending = true;
    const form = new FormData();
    form.append("id", one.id);
    form.append("find", String(one.find));
    form.append("photo", one.file, one.name || "picture");
    let more = false;
    fetch(page.dataset.photo, { method: "POST", body: form, headers: { Accept: "application/json" } }).then(function (answer) {
      if (answer.ok) {
        more = true;
        pictureProblem = "";
        return drop(one);
      }
      if (answer.status !== 400) { return undefined; } // it waits for another start of fieldcomb, or for room on the disk
      return answer.json().then(function (said) {
        more = true;
        pictureProblem = "Picture of find " + one.find + ": " + said.problem;
        return drop(one);
      });
    }).catch(function () { /* out of reach: later */ }).finally(function () {
      sending = false;
      line.ask();
      show();
      if (more) { sendPictures(); }
    });
  }

  page.addEventListener("click", function (event) {
    const button = event.target.closest(".new-find");
    if (!button) { return; }
    button.dataset.id = button.dataset.id || line.made(); // the same until the machine answers, so that one find comes of it
    const form = new URLSearchParams({ id: button.dataset.id, kind: "keep", outing: button.closest(".finds-of").dataset.outing });
    button.disabled = true;
    fetch(page.dataset.new, { method: "POST", body: form, headers: { Accept: "application/json" } }).then(function (answer) {
      return answer.json().then(function (said) {
        pictureProblem = answer.ok ? "" : said.problem;
        if (answer.ok) { delete button.dataset.id; }
      });
    }).catch(function () {
      pictureProblem = "The computer is out of reach, and it gives out the numbers. Press New find again when it is in reach.";
    }).finally(function () {
      button.disabled = false;
      line.ask();
      show();
    });
  });

  store("readonly", function (waiting) { return waiting.getAll(); }).then(function (found) {
    pictures = (found || []).filter(function (one) { return one.site === site; }).concat(pictures);
    show();
    sendPictures();
  }).catch(function () { /* a browser without a database: pictures wait on the page */ });
  setInterval(sendPictures, AGAIN_MS);
  line.begin();
})();
