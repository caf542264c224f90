// The blank plan of a new site: corners are set by clicks, and stand as text, which is what is sent.
"use strict";
(function () {
  const plan = document.getElementById("plan"), corners = document.getElementById("corners"), middle = document.getElementById("middle");
  const width = document.getElementById("plan-width"), holder = document.querySelector(".plan-holder");
  const told = document.getElementById("plan-told"), SIDE = 600, SVG = "http://www.w3.org/2000/svg";
  const pair = /^\s*([-+]?\d+(?:\.\d+)?)[\s,;]+([-+]?\d+(?:\.\d+)?)\s*$/;

  function place(text) {
    const found = pair.exec(text);
    return found && Math.abs(found[1]) <= 90 && Math.abs(found[2]) <= 180 ? [Number(found[1]), Number(found[2])] : null;
  }
  function places() { return corners.value.split("\n").map(place).filter(Boolean); }
  function origin() { return place(middle.value) || places()[0] || null; }
  // Metres of one degree on WGS 84, to a centimetre or so on a plan of this size; the survey uses none of it.
  function degree(lat) {
    const a = lat * Math.PI / 180;
    return [111132.954 - 559.822 * Math.cos(2 * a) + 1.175 * Math.cos(4 * a), 111412.84 * Math.cos(a) - 93.5 * Math.cos(3 * a)];
  }
  function scale() { return SIDE / Number(width.value); }
  function toPlan(at, from) {
    const metres = degree(from[0]);
    return [SIDE / 2 + (at[1] - from[1]) * metres[1] * scale(), SIDE / 2 - (at[0] - from[0]) * metres[0] * scale()];
  }
  function toDegrees(x, y, from) {
    const metres = degree(from[0]);
    return [from[0] + (SIDE / 2 - y) / scale() / metres[0], from[1] + (x - SIDE / 2) / scale() / metres[1]];
  }
  function put(name, values, text) {
    const made = document.createElementNS(SVG, name);
    Object.keys(values).forEach(function (key) { made.setAttribute(key, values[key]); });
    if (text) { made.textContent = text; }
    plan.append(made);
  }
  function draw() {
    const from = origin(), step = Number(width.value) / 6;
    holder.hidden = !from;
    if (!from) { return; }
    plan.replaceChildren();
    for (let n = 1; n < 6; n += 1) {
      put("line", { class: "grid", x1: n * 100, x2: n * 100, y1: 0, y2: SIDE });
      put("line", { class: "grid", y1: n * 100, y2: n * 100, x1: 0, x2: SIDE });
    }
    put("text", { x: 8, y: SIDE - 8 }, "one square: " + step + " m");
    put("text", { x: SIDE / 2 - 20, y: 18 }, "north");
    const found = places().map(function (at) { return toPlan(at, from); });
    if (found.length) { put("polygon", { class: "edge", points: found.map(function (at) { return at.join(","); }).join(" ") }); }
    found.forEach(function (at, n) { put("circle", { class: n ? "corner" : "first", cx: at[0], cy: at[1], r: n ? 5 : 8 }); });
    const out = found.filter(function (at) { return Math.min(at[0], at[1]) < 0 || Math.max(at[0], at[1]) > SIDE; }).length;
    const many = found.length === 1 ? "1 corner" : found.length + " corners";
    told.textContent = many + (out ? ", " + out + " of them outside the plan: make it wider" : "") + ". Click on the plan to set the next one, in the order of a walk round the edge.";
  }
  plan.addEventListener("click", function (event) {
    const box = plan.getBoundingClientRect(), from = origin();
    if (!place(middle.value)) { middle.value = from[0] + ", " + from[1]; }
    const at = toDegrees((event.clientX - box.left) / box.width * SIDE, (event.clientY - box.top) / box.height * SIDE, from);
    corners.value = corners.value.replace(/\s*$/, corners.value.trim() ? "\n" : "") + at[0].toFixed(7) + ", " + at[1].toFixed(7) + "\n";
    draw();
  });
  document.getElementById("undo").addEventListener("click", function () {
    corners.value = corners.value.trimEnd().split("\n").slice(0, -1).join("\n");
    if (corners.value) { corners.value += "\n"; }
    draw();
  });
  [corners, middle, width].forEach(function (field) { field.addEventListener("input", draw); });

  draw();
})();
