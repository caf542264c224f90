/* Ground that moves: the site as it grows outing by outing, and two outings with a handle between them. */
fieldcomb.moving = function (map, data, layers, image) {
  "use strict";
  var strip = document.querySelector(".strip"), told = strip.querySelector("label"), at = strip.querySelector("input");
  var line = document.querySelector(".wiper"), shown = [], mode = "", codes = {};
  var drawn = data.outings.map(function (_, n) { return "outing-" + n; }).filter(function (key) { return layers[key] && layers[key]._url; });

  function name(key) {
    var outing = data.outings[Number(key.slice(7))];
    return [outing.day || outing.id, outing.label].filter(Boolean).join(", ");
  }

  /* Passes of a picture as one number a pixel; the last number is ground outside of the site. */
  function codesOf(key) {
    codes[key] = codes[key] || image(key).then(function (made) {
      var sheet = document.createElement("canvas");
      sheet.width = made.naturalWidth;
      sheet.height = made.naturalHeight;
      var pen = sheet.getContext("2d", { willReadFrequently: true });
      pen.drawImage(made, 0, 0);
      var rgba = pen.getImageData(0, 0, sheet.width, sheet.height).data, out = new Uint8Array(rgba.length / 4);
      var byRed = {};
      data.passColours.forEach(function (colour, n) { byRed[parseInt(colour.slice(1, 3), 16)] = n; });
      for (var n = 0; n < out.length; n += 1) { out[n] = rgba[4 * n + 3] ? byRed[rgba[4 * n]] : 255; }
      return { codes: out, wide: sheet.width, high: sheet.height };
    });
    return codes[key];
  }

  function clear() {
    shown.forEach(function (layer) { map.removeLayer(layer); });
    shown = [];
  }

  /* Passes are added up over the outings that the slider has got to, three or more as one. */
  function grow() {
    var first = layers.before ? ["before"] : [], count = Number(at.value), keys = first.concat(drawn.slice(0, count));
    var last = drawn[count - 1], earlier = data.outings.length - drawn.length;
    var text = last ? "After " + (earlier + count) + " of " + data.outings.length + ", " + name(last) : "After the first " + earlier;
    var so = last ? data.outings[Number(last.slice(7))].soFar : "";
    told.textContent = text + (so ? ": " + so : "");
    at.setAttribute("aria-valuetext", told.textContent);
    walks(earlier + count);
    Promise.all(keys.map(codesOf)).then(function (all) {
      if (mode !== "grow" || Number(at.value) !== count || !all.length) { return; }
      var sheet = document.createElement("canvas"), most = data.passColours.length - 1;
      sheet.width = all[0].wide;
      sheet.height = all[0].high;
      var pen = sheet.getContext("2d"), picture = pen.createImageData(sheet.width, sheet.height);
      var ink = data.passColours.map(function (colour) {
        return [1, 3, 5].map(function (k) { return parseInt(colour.slice(k, k + 2), 16); });
      });
      for (var n = 0; n < all[0].codes.length; n += 1) {
        if (all[0].codes[n] === 255) { continue; }
        var sum = 0;
        for (var k = 0; k < all.length; k += 1) { sum += all[k].codes[n]; }
        picture.data.set(ink[Math.min(sum, most)], 4 * n);
        picture.data[4 * n + 3] = 255;
      }
      pen.putImageData(picture, 0, 0);
      clear();
      shown = [L.svgOverlay(sheet, layers.passes.getBounds()).addTo(map)];
    });
  }

  /* Where all walks are shown, those of later outings wait for their turn. */
  function walks(count) {
    if (document.getElementById("pick-walks").value !== "walks") { return; }
    data.outings.forEach(function (_, n) {
      var walk = layers["walk-" + n];
      if (n < count) { map.addLayer(walk); } else { map.removeLayer(walk); }
    });
  }

  function wipe() {
    var size = map.getSize(), x = 22 + at.value / 100 * (size.x - 44);
    var a = map.containerPointToLayerPoint([0, 0]), b = map.containerPointToLayerPoint([x, size.y]), c = map.containerPointToLayerPoint(size);
    function box(left, right) {
      return "polygon(" + [[left, a.y], [right, a.y], [right, c.y], [left, c.y]].map(function (p) { return p[0] + "px " + p[1] + "px"; }).join(",") + ")";
    }
    map.getPane("left").style.clipPath = box(a.x, b.x);
    map.getPane("right").style.clipPath = box(b.x, c.x);
    line.style.left = x + "px";
  }

  function pair() {
    clear();
    var sides = ["left", "right"].map(function (side) {
      var key = document.getElementById("wipe-" + side).value;
      shown.push(L.imageOverlay(layers[key]._url, layers[key].getBounds(), { pane: side }).addTo(map));
      return name(key);
    });
    told.textContent = sides[0] + " ◀ ▶ " + sides[1];
    at.setAttribute("aria-valuetext", at.value + " % " + sides[0] + ", the rest " + sides[1]);
    wipe();
  }

  ["left", "right"].forEach(function (side, n) {
    map.createPane(side).style.zIndex = 401 + n;
    var select = document.getElementById("wipe-" + side);
    if (!select) { return; }
    drawn.forEach(function (key, k) {
      var option = new Option(name(key), key);
      option.selected = k === (n ? drawn.length - 1 : drawn.length - 2);
      select.add(option);
    });
    select.onchange = pair;
  });
  at.oninput = function () { if (mode === "grow") { grow(); } else { pair(); } };
  map.on("move zoom zoomend resize viewreset", function () { if (mode === "wipe") { wipe(); } });

  return function choose(value) {
    clear();
    if (mode === "grow") { walks(data.outings.length); }
    mode = value === "grow" || value === "wipe" ? value : "";
    strip.hidden = !mode;
    line.hidden = mode !== "wipe";
    document.querySelector(".ground").classList.toggle("stripped", !!mode);
    if (mode === "grow") {
      at.min = layers.before ? 0 : 1;
      at.max = at.value = drawn.length;
      grow();
    } else if (mode) {
      at.min = 0;
      at.max = 100;
      at.value = 50;
      pair();
    }
  };
};
