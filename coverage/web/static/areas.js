// Draws the edge of a site and the other areas on it, over the walks of its map. What is drawn is sent as one file.
"use strict";
(function () {
  const page = document.getElementById("areas"), told = document.getElementById("told"), save = document.getElementById("save");
  const list = document.getElementById("list"), one = document.getElementById("one"), field = document.getElementById("drawn-areas");
  const part = function (id) { return document.getElementById(id); };
  const MOST_HANDLES = 200, STEP_M = 0.5, FIELDS = ["reason", "from", "to", "depth_cm", "per_m2"];
  const LOOKS = {
    "site": { color: "#14163a", weight: 3, fill: false },
    "no-go": { color: "#000", weight: 3, fillColor: "#000", fillOpacity: 0.35 },
    "blocked": { color: "#000", weight: 2, dashArray: "2 4", fillColor: "#55565f", fillOpacity: 0.5 },
    "filled": { color: "#00594c", weight: 2, dashArray: "6 3", fillColor: "#00594c", fillOpacity: 0.15 },
    "junk": { color: "#6b3f00", weight: 2, dashArray: "3 3", fillColor: "#ffb000", fillOpacity: 0.25 },
    "walked": { color: "#3d3d3d", weight: 2, dashArray: "9 3", fillColor: "#3d3d3d", fillOpacity: 0.1 }
  };
  const names = {};
  Array.from(part("kind").options).forEach(function (option) { names[option.value] = option.textContent; });
  let file, map, shapes = [], handles = [], chosen = -1, corners = null, sketch = null;

  // ------------------------------------------------------------------------------------------------ the file
  function features(given) {
    if (given.type === "FeatureCollection") { return given; }
    const only = given.type === "Feature" ? given : { type: "Feature", properties: {}, geometry: given };
    return { type: "FeatureCollection", features: [only] };
  }
  // Names of properties are written in any case by other programs.
  function key(feature, name) {
    const found = Object.keys(feature.properties || {}).find(function (one) { return one.toLowerCase() === name; });
    return found || name;
  }
  function value(feature, name) { return (feature.properties || {})[key(feature, name)]; }
  function put(feature, name, text) {
    feature.properties = feature.properties || {};
    if (text === "") { delete feature.properties[key(feature, name)]; } else { feature.properties[key(feature, name)] = text; }
  }
  function kindOf(feature) { return String(value(feature, "kind") || "site").trim().toLowerCase(); }
  // Every ring of a feature, as the list that the file has.
  function rings(geometry) {
    if (geometry.type === "Polygon") { return geometry.coordinates; }
    if (geometry.type === "MultiPolygon") { return geometry.coordinates.flat(); }
    return geometry.type === "GeometryCollection" ? geometry.geometries.flatMap(rings) : [];
  }
  function latLngs(geometry) {
    const turned = function (ring) { return ring.map(function (at) { return [at[1], at[0]]; }); };
    if (geometry.type === "Polygon") { return [geometry.coordinates.map(turned)]; }
    if (geometry.type === "MultiPolygon") { return geometry.coordinates.map(function (shape) { return shape.map(turned); }); }
    return geometry.type === "GeometryCollection" ? geometry.geometries.flatMap(latLngs) : [];
  }
  function changed() {
    field.value = JSON.stringify(file, null, 1) + "\n";
    save.disabled = !file.features.length;
  }
  function rounded(at) { return [Number(at.lng.toFixed(8)), Number(at.lat.toFixed(8))]; }

  // ------------------------------------------------------------------------------------------------- drawing
  function draw() {
    shapes.forEach(function (shape) { shape.remove(); });
    shapes = file.features.map(function (feature, n) {
      const look = Object.assign({}, LOOKS[kindOf(feature)] || LOOKS.site, n === chosen ? { color: "#c93400" } : {});
      const shape = L.polygon(latLngs(feature.geometry || { type: "" }), look).addTo(map);
      shape.on("click", function (event) { if (!corners) { L.DomEvent.stop(event); choose(n); } });
      return shape;
    });
    list.replaceChildren();
    file.features.forEach(function (feature, n) {
      const row = document.createElement("li"), button = document.createElement("button");
      button.type = "button";
      button.textContent = [names[kindOf(feature)] || kindOf(feature), value(feature, "reason")].filter(Boolean).join(": ");
      button.setAttribute("aria-pressed", String(n === chosen));
      button.addEventListener("click", function () { choose(n === chosen ? -1 : n); list.children[n].firstChild.focus(); });
      row.append(button);
      list.append(row);
    });
    one.hidden = chosen < 0;
  }

  function choose(n) {
    chosen = n;
    draw();
    grips();
    if (n < 0) { return; }
    const feature = file.features[n];
    part("kind").value = kindOf(feature);
    FIELDS.forEach(function (name) { part(name).value = value(feature, name) === undefined || value(feature, name) === null ? "" : value(feature, name); });
    kinds();
  }
  function kinds() {
    one.querySelectorAll("[data-kinds]").forEach(function (row) {
      row.hidden = !row.dataset.kinds.split(" ").includes(part("kind").value);
    });
  }

  function icon(name, size) { return L.divIcon({ className: name, iconSize: [size, size] }); }

  // Corners of the chosen area, and between two of them a place for a new one.
  function grips() {
    handles.forEach(function (handle) { handle.remove(); });
    handles = [];
    if (chosen < 0) { return; }
    const all = rings(file.features[chosen].geometry || { type: "" });
    const count = all.reduce(function (sum, ring) { return sum + ring.length - 1; }, 0);
    if (count > MOST_HANDLES) {
      told.textContent = "This area has " + count + " corners, too many to move here one by one. Delete it and draw it again, or edit it in any GIS.";
      return;
    }
    all.forEach(function (ring) {
      for (let n = 0; n < ring.length - 1; n += 1) { grip(ring, n); between(ring, n); }
    });
  }

  function moved(ring, n, at) {
    ring[n] = rounded(at).concat(ring[n].slice(2));
    if (n === 0) { ring[ring.length - 1] = ring[0].slice(); }
    changed();
    shapes[chosen].setLatLngs(latLngs(file.features[chosen].geometry));
  }

  function step(event, at) {
    const ways = { ArrowUp: [0, 1], ArrowDown: [0, -1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] }, way = ways[event.key];
    if (!way) { return null; }
    const north = STEP_M / 111200;
    return L.latLng(at.lat + way[1] * north, at.lng + way[0] * north / Math.cos(at.lat * Math.PI / 180));
  }

  function grip(ring, n) {
    const handle = L.marker([ring[n][1], ring[n][0]], { icon: icon("handle", 24), draggable: true, keyboard: true, title: "Corner " + (n + 1) }).addTo(map);
    handle.on("drag", function () { moved(ring, n, handle.getLatLng()); });
    handle.on("dragend", grips);
    handle.getElement().addEventListener("keydown", function (event) {
      const at = step(event, handle.getLatLng());
      if (at) {
        handle.setLatLng(at);
        moved(ring, n, at);
      } else if (event.key === "Delete" || event.key === "Backspace") {
        if (ring.length <= 4) { told.textContent = "An area needs three corners. Delete the whole area instead."; return; }
        ring.splice(n, 1);
        ring[ring.length - 1] = ring[0].slice();
        changed();
        choose(chosen);
      } else {
        return;
      }
      event.preventDefault();
      event.stopPropagation();
    });
    handles.push(handle);
  }

  function between(ring, n) {
    const at = [(ring[n][1] + ring[n + 1][1]) / 2, (ring[n][0] + ring[n + 1][0]) / 2];
    const ringed = L.marker(at, { icon: icon("between", 24), keyboard: true, title: "New corner after corner " + (n + 1) }).addTo(map);
    ringed.on("click keypress", function (event) {
      if (event.type === "keypress" && event.originalEvent.key !== "Enter" && event.originalEvent.key !== " ") { return; }
      ring.splice(n + 1, 0, [Number(at[1].toFixed(8)), Number(at[0].toFixed(8))]);
      changed();
      choose(chosen);
    });
    handles.push(ringed);
  }

  // ---------------------------------------------------------------------------------------------- a new area
  function sketching(on) {
    corners = on ? [] : null;
    part("drawing").hidden = !on;
    part("begin").hidden = on;
    if (sketch) { sketch.remove(); sketch = null; }
    map.getContainer().style.cursor = on ? "crosshair" : "";
    if (on) { choose(-1); }
    count();
  }
  function count() {
    told.textContent = corners ? "Tap the plan to set corners, in the order of a walk round the ground. " + corners.length + " set." : "";
    part("done").disabled = !corners || corners.length < 3;
  }
  function corner(at) {
    corners.push(at);
    if (sketch) { sketch.remove(); }
    sketch = L.layerGroup([L.polygon(corners, { color: "#c93400", weight: 3, dashArray: "6 4", fillOpacity: 0.1 })].concat(corners.map(function (one) {
      return L.circleMarker(one, { radius: 6, color: "#c93400", fillColor: "#fff", fillOpacity: 1 });
    }))).addTo(map);
    count();
  }
  part("begin").addEventListener("click", function () { sketching(true); });
  part("give-up").addEventListener("click", function () { sketching(false); });
  part("middle").addEventListener("click", function () { corner(map.getCenter()); });
  part("undo").addEventListener("click", function () {
    const rest = corners.slice(0, -1);
    corners = [];
    if (sketch) { sketch.remove(); sketch = null; }
    rest.forEach(corner);
    count();
  });
  part("done").addEventListener("click", function () {
    const ring = corners.map(rounded);
    ring.push(ring[0].slice());
    const kind = part("new-kind").value;
    file.features.push({ type: "Feature", properties: { kind: kind }, geometry: { type: "Polygon", coordinates: [ring] } });
    sketching(false);
    changed();
    choose(file.features.length - 1);
    told.textContent = "Drawn: " + names[kind] + ". Save it below, or draw more.";
  });

  // ------------------------------------------------------------------------------------------ the chosen area
  part("kind").addEventListener("change", function () {
    put(file.features[chosen], "kind", part("kind").value);
    changed();
    kinds();
    draw();
  });
  FIELDS.forEach(function (name) {
    part(name).addEventListener("change", function () {
      const text = part(name).value;
      put(file.features[chosen], name, text !== "" && part(name).type === "number" ? Number(text) : text);
      changed();
      draw();
    });
  });
  part("remove").addEventListener("click", function () {
    const name = names[kindOf(file.features[chosen])];
    file.features.splice(chosen, 1);
    changed();
    choose(-1);
    told.textContent = "Deleted here: " + name + ". Nothing is changed until you save." + (file.features.length ? "" : " At least one area must stay.");
    part("begin").focus();
  });

  // ------------------------------------------------------------------------------------------------ the plan
  function unpack(packed, from) {
    let lat = 0, lon = 0;
    const line = [];
    for (let n = 0; n < packed.length; n += 2) {
      lat += packed[n];
      lon += packed[n + 1];
      line.push([from.origin[0] + lat * from.unit, from.origin[1] + lon * from.unit]);
    }
    return line;
  }

  function show(ground) {
    file = features(ground.areas);
    map = L.map("plan-map", { zoomSnap: 0.25, attributionControl: false, maxZoom: 24 });
    L.control.scale({ imperial: false, maxWidth: 160 }).addTo(map);
    map.setView([0, 0], 2);
    const walks = ground.walks, bounds = L.latLngBounds([]);
    if (walks) {
      const lines = walks.lines.map(function (line) { return unpack(line, walks); });
      const drawn = L.polyline(lines, { color: "#6d7fd8", weight: 2, interactive: false, renderer: L.canvas() }).addTo(map);
      if (lines.length) { bounds.extend(drawn.getBounds()); }
    }
    draw();
    shapes.forEach(function (shape) { if (shape.getBounds().isValid()) { bounds.extend(shape.getBounds()); } });
    if (bounds.isValid()) { map.fitBounds(bounds.pad(0.15), { animate: false }); }
    map.on("click", function (event) { if (corners) { corner(event.latlng); } else { choose(-1); } });
    told.textContent = bounds.isValid() ? "" : "There is nothing to draw over yet. Add a walk, or draw the map of the site first.";
    if (!file.features.length && bounds.isValid()) { sketching(true); }
    page.setAttribute("data-ready", "yes");
  }

  fetch(page.dataset.ground, { headers: { Accept: "application/json" }, cache: "no-store" })
    .then(function (answer) { return answer.json(); })
    .then(function (answer) { if (answer.problem) { told.textContent = answer.problem; } else { show(answer); } })
    .catch(function () { told.textContent = "The server does not answer. Start fieldcomb serve again."; });
})();
