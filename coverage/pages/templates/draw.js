/* Draws what the page carries as data, and ties the panel to the map. Texts go in as text, never as HTML. */
var fieldcomb = (function () {
  "use strict";
  var data = JSON.parse(document.getElementById("fieldcomb-data").textContent);
  var pieces = {}, popup = { maxWidth: 290, minWidth: 250, autoPanPadding: [64, 76] };
  var map, layers, history, moving, signs;

  function unpack(packed) {
    var lat = 0, lon = 0, line = [];
    for (var i = 0; i < packed.length; i += 2) {
      lat += packed[i];
      lon += packed[i + 1];
      line.push([data.origin[0] + lat * data.unit, data.origin[1] + lon * data.unit]);
    }
    return line;
  }

  function words(item) {
    var box = document.createElement("div"), list = document.createElement("dl");
    box.className = "said";
    box.tabIndex = -1;
    var title = document.createElement("h3");
    title.textContent = item.title;
    box.appendChild(title);
    item.rows.forEach(function (row) {
      ["dt", "dd"].forEach(function (tag, n) {
        var cell = document.createElement(tag);
        cell.textContent = row[n];
        list.appendChild(cell);
      });
    });
    box.appendChild(list);
    if (item.pictures) { box.appendChild(photographs(item)); }
    return box;
  }

  function photographs(item) {
    var place = document.createElement("div");
    place.className = "pictures";
    item.pictures.forEach(function (picture, n) {
      var image = document.createElement("img");
      image.width = picture[0];
      image.height = picture[1];
      image.alt = "Photograph " + (n + 1) + " of find " + item.title;
      image.src = "data:image/jpeg;base64," + picture[2];
      place.appendChild(image);
    });
    return place;
  }

  /* A drawn area that can be tapped, reached with Tab, and opened with Enter. */
  function reachable(layer, item) {
    layer.bindPopup(function () { return words(item); }, popup);
    layer.on("click", function (event) { more(layer, event.latlng); });
    layer.on("add", function () {
      var path = layer.getElement();
      path.setAttribute("tabindex", "0");
      path.setAttribute("role", "button");
      path.setAttribute("aria-label", item.title + ", " + item.brief);
      path.setAttribute("data-piece", item.id);
      path.onkeydown = function (event) {
        if (event.key === "Enter" || event.key === " ") {
          event.preventDefault();
          event.stopPropagation();
          show(layer);
        }
      };
      path.onfocus = function () {
        if (path.matches(":focus-visible") && !map.getBounds().intersects(layer.getBounds())) {
          map.panTo(layer.getBounds().getCenter(), { animate: false });
        }
      };
    });
    pieces[item.id] = layer;
  }

  /* Under what is said of a piece of ground stands the history of the place that was tapped in it. */
  function more(layer, at) {
    history.rows(at).then(function (found) {
      var box = layer.getPopup() && layer.getPopup().getElement();
      if (!found || !box || !layer.isPopupOpen()) { return; }
      box.querySelector(".said").appendChild(words({ title: "Just here", rows: found.rows }).lastChild);
      layer.getPopup().update();
    });
  }

  /* Opens the popup, puts the keyboard into it, and brings it back when the popup closes. */
  function show(layer, from) {
    layer.openPopup();
    layer.getElement().classList.add("lit");
    var box = layer.getPopup().getElement();
    box.setAttribute("role", "dialog");
    box.setAttribute("aria-label", box.querySelector("h3").textContent);
    box.onkeydown = function (event) { if (event.key === "Escape") { map.closePopup(); } };
    box.querySelector(".said").focus({ preventScroll: true });
    layer.getPopup().once("remove", function () {
      layer.getElement() && layer.getElement().classList.remove("lit");
      var back = from && from.offsetParent ? from : layer.getElement();
      if (back) { back.focus({ preventScroll: true }); }
    });
  }

  function areas(group, key) {
    data.groups[key].forEach(function (item) {
      var rings = item.shape.map(function (part) { return part.map(unpack); });
      var options = L.extend({}, data.styles[item.kind], { pane: item.pane, interactive: !!item.title });
      var layer = L.polygon(rings, options);
      if (item.title) { reachable(layer, item); }
      group.addLayer(layer);
    });
  }

  /* Places have their letter in the middle, lanes their number where it is clear of the next one's; the one that is
     looked at is lit up. */
  function places(group, key) {
    areas(group, key);
    group.addLayer(signs.letters(data.groups[key].map(function (item) {
      var at = item.at && unpack(item.at)[0];
      return { text: item.letter, at: function () { return at || pieces[item.id].getCenter(); } };
    })));
  }

  var strokes = [];
  function walk(group, key) {
    var item = data.groups[key], plain = { pane: "walks", interactive: false, fill: false, smoothFactor: 1 };
    function draw(lines, options, number) {
      if (!lines.length) { return; }
      var stroke = L.polyline(lines.map(unpack), L.extend({}, plain, options));
      if (number !== undefined) { strokes.push({ line: stroke, outing: item.outing, walk: number, plain: options }); }
      group.addLayer(stroke);
    }
    item.walks.forEach(function (one) { draw(one.lines.concat(one.transits), { color: "#fff", weight: 3.4, opacity: 0.9 }); });
    item.walks.forEach(function (one, number) {
      draw(one.transits, { color: "#000", weight: 1.3, dashArray: "2 5" });
      draw(one.lines, { color: "#000", weight: 1.3 }, number);
    });
    var at = unpack(item.stops);
    group.addLayer(signs.signs("walks", item.kinds.map(function (kind, n) {
      var dug = kind === "dig";
      return { at: at[n], sign: kind, stroke: dug ? "#fff" : "#000", wide: dug ? 1.5 : 2, fill: dug ? "#000" : "#fff" };
    })));
    colour(document.getElementById("pick-colour"));
  }

  /* Walks by outing, coil or person: six colours, then the same with dashes, each named in the key. */
  function colour(select) {
    var by = select ? select.value : "", names = data.names[by] || [];
    strokes.forEach(function (stroke) {
      var walk = data.outings[stroke.outing].walks[stroke.walk], look = L.extend({ dashArray: null }, stroke.plain);
      if (names.length) {
        var n = walk[by], round = Math.floor(n / data.lineColours.length) % data.lineDashes.length;
        look = { color: data.lineColours[n % data.lineColours.length], weight: 2, dashArray: data.lineDashes[round] };
      }
      stroke.line.setStyle(look);
    });
    each("[data-by]", function (row) { row.hidden = row.getAttribute("data-by") !== by; });
  }

  /* Marks are single points: each has a sign, a popup, and the keyboard reaches it. */
  function marks(group, key) {
    var items = data.groups[key];
    var layer = signs.signs("marks", items.map(function (item) {
      var label = item.title + ", " + item.brief, look = { stroke: "#fff", wide: 4, sign: item.sign, fill: item.colour };
      return L.extend(look, { at: unpack(item.at)[0], id: item.id, label: label, item: function () { return item; } });
    }));
    layer.signs.forEach(function (sign) { pieces[sign.id] = sign.piece; });
    group.addLayer(layer);
  }

  /* Finds likewise, each with the shape and colour of its value of what is chosen; one is shown where all its values
     are ticked. */
  function finds(group, key) {
    var select = document.getElementById("pick-finds"), lists = [], given = data.groups[key], items = given.items;
    each("[data-finds]", function (list) { lists.push(list); });
    function told(item) {
      var rows = given.rows.map(function (name, n) { return [name, item.said[n]]; }).filter(function (row) { return row[1]; });
      return { title: item.title, rows: rows, pictures: item.pictures };
    }
    function look(item) { return given.looks[item.of[select.selectedIndex] % given.looks.length]; }
    var layer = signs.signs("marks", items.map(function (item) {
      var label = item.title + ", " + item.said[0] + ", " + item.said[6], shape = look(item);
      return {
        at: unpack(item.at)[0], id: item.id, label: label, item: told.bind(null, item),
        stroke: "#fff", wide: 3, sign: shape[0], fill: shape[1]
      };
    }));
    layer.signs.forEach(function (sign) { pieces[sign.id] = sign.piece; });
    function show() {
      lists.forEach(function (list, n) { list.hidden = n !== select.selectedIndex; });
      var ticked = lists.map(function (list) {
        return Array.prototype.map.call(list.querySelectorAll("input"), function (box) { return box.checked; });
      });
      items.forEach(function (item, n) {
        var shape = look(item);
        layer.look(n, shape[0], shape[1]);
      });
      var shown = layer.only(function (n) {
        return items[n].of.every(function (value, k) { return ticked[k][value]; });
      });
      document.getElementById("finds-shown").textContent = "Shown: " + shown + " of " + items.length + ".";
    }
    select.onchange = show;
    lists.forEach(function (list) { list.onchange = show; });
    show();
    group.addLayer(layer);
  }

  function rules(group, key) {
    var lines = data.groups[key].map(unpack);
    group.addLayer(L.polyline(lines, { pane: "rules", interactive: false, color: "#6a6f8c", weight: 1, opacity: 0.55 }));
  }

  /* A layer is drawn when it is first shown: most never are. */
  var waiting = [];
  function late(draw) {
    return function (group, key) {
      var drawn = false;
      function once() {
        if (!drawn) { draw(group, key); }
        drawn = true;
      }
      group.beforeAdd = once;
      waiting.push(once);
    };
  }

  /* The map gets its place before anything is drawn on it, or all would be drawn twice. */
  function panes(made) {
    map = made;
    signs = fieldcomb.signs(map, data.signs, words, show);
    asked();
    fit();
    [["stale", 404], ["rules", 410], ["ground-outlines", 405], ["areas", 415], ["missed", 420], ["places", 425], ["walks", 430], ["marks", 440]].forEach(function (pane) {
      map.createPane(pane[0]).style.zIndex = pane[1];
    });
  }

  function put(key, on) {
    if (!layers[key]) { return; }
    if (on) { map.addLayer(layers[key]); } else { map.removeLayer(layers[key]); }
  }

  function choose(select) {
    Array.prototype.forEach.call(select.options, function (option) {
      if (option.value && option.value !== "walks") { put(option.value, false); }
    });
    if (select.value === "walks") {
      Array.prototype.forEach.call(select.options, function (option) {
        if (option.value !== "walks") { put(option.value, true); }
      });
    } else if (select.value) {
      put(select.value, true);
    }
    if (select.getAttribute("data-pick") === "ground") {
      key(select.value.replace(/-.*/, ""));
      if (moving) { moving(select.value); }
    } else {
      each("#colours, [data-with='walks']", function (part) { part.hidden = !select.value; });
    }
  }

  /* Only the colours of the ground that is shown stand in the key. */
  var keys = { coil: "passes", outing: "passes", tiles: "chance", grow: "passes", wipe: "passes" };
  function key(shown) {
    map.getPane("stale").style.display = /^(passes|coil)$/.test(shown) ? "" : "none";  // of all days together
    each("[data-key]", function (part) { part.hidden = part.getAttribute("data-key").split(" ").indexOf(keys[shown] || shown) < 0; });
    each("[data-only]", function (part) { part.hidden = part.getAttribute("data-only") !== shown; });
  }

  function each(selector, act) { Array.prototype.forEach.call(document.querySelectorAll(selector), act); }

  /* A frame may open the page before it has a size; then the map waits for one. */
  var fitted = false;
  function fit() {
    var size = map.getSize();
    fitted = Math.min(size.x, size.y) > 60;
    if (fitted) { map.fitBounds(data.bounds, { padding: [26, 26], animate: false }); }
  }

  function open(part) {
    each(".bar button", function (button) {
      var on = button.getAttribute("data-part") === part && button.getAttribute("aria-expanded") === "false";
      button.setAttribute("aria-expanded", String(on));
      each('.part[data-of="' + button.getAttribute("data-part") + '"]', function (section) { section.classList.toggle("open", on); });
    });
    document.querySelector(".parts").scrollTop = 0;
    map.invalidateSize({ animate: false });
  }

  function find(id) {
    if (!pieces[id]) { waiting.splice(0).forEach(function (draw) { draw(); }); }
    var layer = pieces[id];
    if (!layer) { return; }
    each("[data-layer]", function (box) {
      var group = layers[box.getAttribute("data-layer")];
      if (group && group.hasLayer(layer.owner || layer) && !box.checked) { box.checked = true; box.onchange(); }
    });
    if (getComputedStyle(document.querySelector(".bar")).display !== "none") { open(""); }
    map.fitBounds(layer.getBounds().pad(0.6), { maxZoom: 21, animate: false });
    show(layer, document.activeElement);
  }

  /* A page around the map may ask for less of it: #framed without the answer, #outing=ID one outing and no panel. */
  var alone = -1;
  function asked() {
    var hash = location.hash.slice(1), id = hash.indexOf("outing=") === 0 ? hash.slice(7) : null;
    alone = data.outings.map(function (outing) { return outing.id; }).indexOf(id);
    document.documentElement.classList.toggle("framed", hash === "framed");
    document.documentElement.classList.toggle("bare", alone >= 0);
  }

  function showAlone(n) {
    [["ground", "outing-" + n], ["walks", "walk-" + n]].forEach(function (choice) {
      var select = document.querySelector('[data-pick="' + choice[0] + '"]');
      select.value = choice[1];
      if (select.value !== choice[1]) { select.value = "passes"; }
      choose(select);
    });
    ["certain", "likely", "strip", "open", "places"].forEach(function (layer) { put(layer, false); });
  }

  function start(registry) {
    layers = registry;
    history = fieldcomb.history(map, data, layers, unpack, words);
    moving = fieldcomb.moving(map, data, layers, history.image);
    each("[data-pick]", function (select) { select.onchange = function () { choose(select); }; choose(select); });
    each("#pick-colour", function (select) { select.onchange = function () { colour(select); }; colour(select); });
    each("[data-layer]", function (box) {
      var layer = box.getAttribute("data-layer");
      box.onchange = function () {
        put(layer, box.checked);
        each("[data-with='" + layer + "']", function (part) { part.hidden = !box.checked; });
      };
      box.onchange();
    });
    each("[data-place]", function (button) {
      button.onclick = function () { find("place-" + button.getAttribute("data-place")); };
    });
    each("[data-find]", function (button) {
      button.onclick = function () { find(button.getAttribute("data-find")); };
    });
    each(".bar button", function (button) {
      button.onclick = function () { open(button.getAttribute("data-part")); };
    });
    each(".skip", function (link) {
      link.onclick = function () {
        var button = document.querySelector('.bar [data-part="key"]');
        if (button.offsetParent && button.getAttribute("aria-expanded") === "false") { open("key"); }
      };
    });
    each("[data-tool]", function (button) {
      var tool = button.getAttribute("data-tool");
      button.onclick = function () { if (tool === "in") { map.zoomIn(); } else if (tool === "out") { map.zoomOut(); } else { map.closePopup(); fit(); } };
    });
    var scale = document.querySelector(".leaflet-control-scale");
    if (scale) { scale.setAttribute("aria-label", "Scale"); }
    if (alone >= 0) { showAlone(alone); }
    window.addEventListener("beforeprint", function () { paper(true); });
    window.addEventListener("afterprint", function () { paper(false); });
    if (window.ResizeObserver) {
      new ResizeObserver(function () {
        map.invalidateSize({ animate: false });
        if (!fitted) { fit(); }
      }).observe(map.getContainer());
    }
    document.documentElement.setAttribute("data-drawn", "yes");
  }

  /* On paper the map gets a fixed size, and shows what was on the screen: all of the site fills it, whatever shape the
     screen has. All places are listed; parts that are folded are not printed, so that all stands on one page. */
  var folded = [], seen;
  function paper(on) {
    var whole = on && map.getBounds().contains(data.bounds);
    if (on) {
      seen = map.getBounds();
      each("#lead details:not([open])", function (part) { folded.push(part); part.open = true; });
    }
    document.documentElement.classList.toggle("paper", on);
    if (!on) { folded.splice(0).forEach(function (part) { part.open = false; }); }
    map.invalidateSize({ animate: false });
    map.fitBounds(whole ? data.bounds : seen, { padding: whole ? [20, 20] : [0, 0], animate: false });
  }

  return {
    panes: panes, start: start, popup: popup,
    areas: late(areas), places: late(places), walk: late(walk), marks: late(marks), finds: late(finds), rules: late(rules)
  };
})();
