// What the local page does beyond plain forms: dropping files, sending with progress, watching work. Asks its own server only.
"use strict";
(function () {
  const MEGABYTE = 1048576;

  function size(bytes) {
    return bytes < MEGABYTE ? Math.max(1, Math.round(bytes / 1024)) + " kB" : (bytes / MEGABYTE).toFixed(1) + " MB";
  }

  // ------------------------------------------------------------------------------------------ choosing files
  document.querySelectorAll("[data-drop]").forEach(function (zone) {
    const input = zone.querySelector("input[type=file]");
    const list = zone.querySelector(".chosen");
    function showChosen() {
      if (!list) { return; }
      list.replaceChildren();
      Array.from(input.files).forEach(function (file) {
        const row = document.createElement("li");
        row.textContent = file.name + ", " + size(file.size);
        list.append(row);
      });
    }
    zone.addEventListener("dragover", function (event) { event.preventDefault(); zone.classList.add("over"); });
    zone.addEventListener("dragleave", function () { zone.classList.remove("over"); });
    zone.addEventListener("drop", function (event) {
      event.preventDefault();
      zone.classList.remove("over");
      if (!event.dataTransfer.files.length) { return; }
      input.files = event.dataTransfer.files;
      input.dispatchEvent(new Event("change", { bubbles: true }));
    });
    input.addEventListener("change", showChosen);
    showChosen();
  });
  // A file that misses the field must not take the place of the page.
  ["dragover", "drop"].forEach(function (name) {
    window.addEventListener(name, function (event) { event.preventDefault(); });
  });

  // ------------------------------------------------------------------------------- what was typed and came to nothing
  // Kept in this tab until the work has ended: whoever goes back to the form finds all of it there, but for the files.
  const TYPED = "fieldcomb-typed";
  function kept() { try { return JSON.parse(sessionStorage.getItem(TYPED)); } catch (error) { return null; } }
  function keep(typed) {
    try {
      if (typed) { sessionStorage.setItem(TYPED, JSON.stringify(typed)); } else { sessionStorage.removeItem(TYPED); }
    } catch (error) { /* a browser that keeps nothing: it is typed again */ }
  }
  function inputs(form) {
    return Array.from(form.elements).filter(function (one) { return one.name && !/^(file|hidden|submit|button)$/.test(one.type); });
  }
  function typedIn(form) {
    return inputs(form).map(function (one) { return /^(radio|checkbox)$/.test(one.type) ? one.checked : one.value; });
  }
  const typed = kept();
  document.querySelectorAll("form[data-send]").forEach(function (form) {
    const all = inputs(form);
    if (!typed || !typed.failed || typed.form !== new URL(form.action).pathname || typed.values.length !== all.length) { return; }
    all.forEach(function (one, number) {
      const value = typed.values[number], fold = one.closest("details");
      if (typeof value === "boolean") { one.checked = value; } else if (one.value !== value) {
        one.value = value;
        if (fold) { fold.open = true; }
      }
    });
    keep(null);
  });
  if (typed && location.pathname.includes("/job/") && !document.querySelector("[data-job]")) {
    keep(document.querySelector("[data-failed]") ? { form: typed.form, values: typed.values, failed: true } : null);
  }

  // ------------------------------------------------------------------------------------------ what goes together
  function way() {
    const chosen = document.querySelector("[data-way]:checked");
    if (!chosen) { return; }
    document.querySelectorAll("[data-for]").forEach(function (part) { part.hidden = part.dataset.for !== chosen.value; });
  }
  document.querySelectorAll("[data-way]").forEach(function (choice) { choice.addEventListener("change", way); });
  way();
  document.querySelectorAll("[data-zone]").forEach(function (zone) {
    if (!zone.value) { zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone || ""; }
  });

  // ------------------------------------------------------------------------------------------------- sending
  document.querySelectorAll("form[data-send]").forEach(function (form) {
    const problem = form.querySelector(".problem");
    const sending = form.querySelector(".sending");
    const button = form.querySelector("button[type=submit]");
    let asked = null;

    function tooMuch() {
      const files = Array.from(form.querySelectorAll("input[type=file]")).flatMap(function (input) { return Array.from(input.files); });
      const sum = files.reduce(function (total, file) { return total + file.size; }, 0);
      const most = Number(form.dataset.most), mostFiles = Number(form.dataset.mostFiles);
      if (most && sum > most) {
        return "These files are " + size(sum) + "; at most " + size(most) + " can be sent at once. Send fewer at a time.";
      }
      return mostFiles > 1 && files.length > mostFiles ? "At most " + mostFiles + " files can be sent at once." : "";
    }

    // What is wrong with one field stands beside it, and the keyboard goes there; the rest stands above the button.
    function rest(text, field) {
      asked = null;
      button.disabled = false;
      if (sending) { sending.hidden = true; }
      const row = field && form.querySelector('[data-field="' + CSS.escape(field) + '"]');
      if (!row) { problem.textContent = text; return; }
      const input = row.querySelector("input, select, textarea"), fold = row.closest("details");
      row.querySelector(".wrong").textContent = text;
      input.setAttribute("aria-invalid", "true");
      if (fold) { fold.open = true; }
      input.focus();
    }

    function forget() {
      problem.textContent = "";
      form.querySelectorAll(".wrong").forEach(function (told) { told.textContent = ""; });
      form.querySelectorAll("[aria-invalid]").forEach(function (input) { input.removeAttribute("aria-invalid"); });
    }

    function answered() {
      let answer = {};
      try { answer = JSON.parse(asked.responseText); } catch (error) { /* not ours: told below */ }
      if (answer.job) {
        keep({ form: new URL(form.action).pathname, values: typedIn(form) });
        location.assign(answer.job);
        return;
      }
      rest(answer.problem || "The server did not accept it. Reload this page and try again.", answer.field);
    }

    form.addEventListener("submit", function (event) {
      event.preventDefault();
      if (asked) { return; }
      forget();
      problem.textContent = tooMuch();
      if (problem.textContent) { return; }
      asked = new XMLHttpRequest();
      asked.open("POST", form.action);
      asked.setRequestHeader("Accept", "application/json");
      asked.addEventListener("load", answered);
      asked.addEventListener("error", function () {
        rest("The connection was lost before everything arrived, so nothing was added. Try again. If it was added after all, the second copy is refused.");
      });
      asked.addEventListener("abort", function () { rest("Stopped. Nothing was added."); });
      if (sending) {
        const bar = sending.querySelector("progress");
        sending.hidden = false;
        asked.upload.addEventListener("progress", function (step) { bar.value = step.lengthComputable ? step.loaded / step.total : 0; });
      }
      button.disabled = true;
      asked.send(new FormData(form, event.submitter));
    });
    const cancel = form.querySelector("[data-cancel]");
    if (cancel) { cancel.addEventListener("click", function () { if (asked) { asked.abort(); } }); }
  });

  // ------------------------------------------------------------------------------------------------ watching
  const watched = document.querySelector("[data-job]");
  if (watched) {
    const step = watched.querySelector("#step"), bar = watched.querySelector("progress");
    let lost = 0;
    const show = function (state) {
      lost = 0;
      if (state.over) { location.reload(); return; }
      let text = state.step || "Starting";
      if (state.state === "waiting") { text = "Waiting, with " + state.before + " ahead of it"; }
      if (state.whole > 1) { text += ", " + (state.done + 1) + " of " + state.whole; }
      if (state.kept.length) { text = "Kept. " + text; }
      if (step.textContent !== text + " …") { step.textContent = text + " …"; }
      if (state.whole > 1) { bar.value = state.done / state.whole; } else { bar.removeAttribute("value"); }
      setTimeout(look, 300);
    };
    const look = function () {
      fetch(watched.dataset.job, { headers: { Accept: "application/json" }, cache: "no-store" })
        .then(function (answer) { if (!answer.ok) { throw new Error(); } return answer.json(); })
        .then(show)
        .catch(function () {
          lost += 1;
          if (lost > 3) { step.textContent = "The server does not answer. Start fieldcomb serve again, and check the site's outings to see what was kept."; }
          setTimeout(look, 1000);
        });
    };
    look();
  }
})();
