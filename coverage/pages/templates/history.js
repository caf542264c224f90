/* Tap any ground: on which days it was passed over, how often, with which coil and by whom. Read from the pictures and
   lines that the page has anyway. */
fieldcomb.history = function (map, data, layers, unpack, words) {
  "use strict";
  var images = {}, dot = document.createElement("canvas");
  dot.width = dot.height = 1;
  var pen = dot.getContext("2d", { willReadFrequently: true });

  function image(key) {
    images[key] = images[key] || new Promise(function (done, failed) {
      var made = new Image();
      made.onload = function () { done(made); };
      made.onerror = failed;
      made.src = layers[key]._url;
    });
    return images[key];
  }

  /* Which colour of a picture lies at a place: its number, or -1 outside of the site. */
  function codeAt(key, at, colours) {
    return image(key).then(function (made) {
      var box = layers[key].getBounds(), north = box.getNorthWest(), south = box.getSouthEast();
      var a = map.project(north, 22), b = map.project(south, 22), c = map.project(at, 22);
      var x = Math.floor((c.x - a.x) / (b.x - a.x) * made.naturalWidth), y = Math.floor((c.y - a.y) / (b.y - a.y) * made.naturalHeight);
      if (x < 0 || y < 0 || x >= made.naturalWidth || y >= made.naturalHeight) { return -1; }
      pen.clearRect(0, 0, 1, 1);
      pen.drawImage(made, x, y, 1, 1, 0, 0, 1, 1);
      var rgba = pen.getImageData(0, 0, 1, 1).data;
      if (!rgba[3]) { return -1; }
      return colours.indexOf("#" + [rgba[0], rgba[1], rgba[2]].map(function (v) { return (v + 256).toString(16).slice(1); }).join(""));
    });
  }

  /* Metres east and north of the tapped place, near enough over one site. */
  function metres(from) {
    var a = from.lat * Math.PI / 180;
    var north = 111132.954 - 559.822 * Math.cos(2 * a), east = 111412.84 * Math.cos(a) - 93.5 * Math.cos(3 * a);
    return function (at) { return [(at[1] - from.lng) * east, (at[0] - from.lat) * north]; };
  }

  function near(line, to, reach) {
    for (var n = 1; n < line.length; n += 1) {
      var a = to(line[n - 1]), b = to(line[n]), x = b[0] - a[0], y = b[1] - a[1];
      var share = Math.max(0, Math.min(1, -(a[0] * x + a[1] * y) / (x * x + y * y || 1)));
      if (Math.hypot(a[0] + share * x, a[1] + share * y) <= reach) { return true; }
    }
    return false;
  }

  function inside(rings, to) {
    var within = false;
    rings.forEach(function (ring) {
      for (var n = 0, m = ring.length - 1; n < ring.length; m = n, n += 1) {
        var a = to(ring[n]), b = to(ring[m]);
        if ((a[1] > 0) !== (b[1] > 0) && a[0] - a[1] * (b[0] - a[0]) / (b[1] - a[1]) > 0) { within = !within; }
      }
    });
    return within;
  }

  /* With which coil and by whom, of the walks of an outing that came so near; of all of them where none is told apart. */
  function whose(n, to) {
    var outing = data.outings[n], lines = data.groups["walk-" + n].walks;
    var came = outing.walks.filter(function (walk, k) {
      return lines[k].lines.some(function (line) { return near(unpack(line), to, walk.reach + 0.1); });
    });
    var said = (came.length ? came : outing.walks).map(function (walk) {
      var person = data.names.person[walk.person];
      return "with " + data.names.coil[walk.coil] + (data.names.person.length > 1 ? ", " + person : "");
    });
    return said.filter(function (one, k) { return said.indexOf(one) === k; }).join("; ");
  }

  /* Whether no walk of an outing came near. Its picture stays closed then: to open all of them takes long. Lines and
     pictures are true to data.trueTo metres; where there are no lines nobody knows. */
  function far(n, to) {
    var walks = data.groups["walk-" + n].walks, known = walks.some(function (walk) { return walk.lines.length; });
    return known && !walks.some(function (walk, k) {
      var reach = data.outings[n].walks[k].reach + data.trueTo + 2;
      return walk.lines.some(function (line) { return near(unpack(line), to, reach); });
    });
  }

  function row(n, to, at) {
    var outing = data.outings[n], name = [outing.day, outing.label].filter(Boolean).join(", ") || outing.id;
    if (!data.groups["outing-" + n]) {
      if (far(n, to)) { return Promise.resolve(null); }
      return codeAt("outing-" + n, at, data.passColours).then(function (passes) {
        return passes > 0 ? { passes: passes, row: [name, data.passNames[passes] + " " + whose(n, to)] } : null;
      });
    }
    var hit = data.groups["outing-" + n].some(function (item) {
      return item.shape.some(function (part) { return inside(part.map(unpack), to); });
    });
    return Promise.resolve(hit ? { passes: 0, row: [name, "here or within half a metre, " + whose(n, to)] } : null);
  }

  /* Rows on the ground at a place; none outside of the site. */
  function rows(at) {
    return codeAt("passes", at, data.passColours).then(function (passes) {
      if (passes < 0) { return null; }
      var to = metres(at), known = data.outings.map(function (_, n) { return n; }).filter(function (n) { return layers["outing-" + n]; });
      return Promise.all(known.map(function (n) { return row(n, to, at); })).then(function (found) {
        found = found.filter(Boolean);
        var list = found.map(function (one) { return one.row; });
        if (!list.length) { list.push(["As recorded", passes ? data.passNames[passes] : "no coil passed here"]); }
        var estimate = layers.tiles ? "tiles" : layers.chance ? "chance" : "";
        if (!estimate) { return { passes: passes, rows: list }; }
        return codeAt(estimate, at, data.chanceColours).then(function (step) {
          if (step >= 0) { list.push([estimate === "tiles" ? "Swept around here" : "Chance", data.chanceNames[step] + ", estimated"]); }
          return { passes: passes, rows: list };
        });
      });
    });
  }

  function latLon(at) { return ["Lat, lon", at.lat.toFixed(6) + ", " + at.lng.toFixed(6)]; }

  function tell(at, back) {
    rows(at).then(function (found) {
      var title = found ? (found.passes ? "Passed over " + data.passNames[found.passes] : "Not passed over") + ", as recorded" : "Not part of the site";
      var box = words({ title: title, rows: (found ? found.rows : []).concat([latLon(at)]) });
      L.popup({ maxWidth: 300, minWidth: 220, autoPanPadding: [64, 76] }).setLatLng(at).setContent(box).openOn(map);
      if (back) {
        box.focus({ preventScroll: true });
        map.once("popupclose", function () { map.getContainer().focus({ preventScroll: true }); });
      }
    });
  }

  map.on("click", function (event) { tell(event.latlng); });
  var ground = map.getContainer();
  ground.setAttribute("role", "application");
  ground.setAttribute("aria-label", "Map. Arrows move it, plus and minus zoom; Enter tells the history of the ground in the middle.");
  ground.addEventListener("keydown", function (event) {
    if (event.target === ground && event.key === "Enter") { event.preventDefault(); tell(map.getCenter(), true); }
    if (event.key === "Escape") { map.closePopup(); }
  });
  return { rows: rows, image: image };
};
