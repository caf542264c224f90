/* Signs of single places, such as marks, finds and stops, and letters on the ground. All of a kind are one layer of the
   map: with a layer for each, a map of thousands of finds took a second longer to open. */
fieldcomb.signs = function (map, shapes, words, show) {
  "use strict";

  /* Signs shrink when the map shows more ground than one can walk in a minute, so that they do not cover it. */
  function scale() {
    var at = map.getCenter(), across = map.distance(at, map.unproject(map.project(at).add([100, 0]))) / 100;
    return Math.max(0.45, Math.min(1, Math.sqrt(0.07 / across)));
  }

  /* One sign as show() knows what can be opened. */
  function Piece(sign, owner) { this.sign = sign; this.owner = owner; }
  Piece.prototype = {
    getElement: function () { return this.sign.path; },
    getBounds: function () { return L.latLngBounds([this.sign.at, this.sign.at]); },
    getPopup: function () {
      var item = this.sign.item;
      this.popup = this.popup || L.popup(fieldcomb.popup).setLatLng(this.sign.at).setContent(function () { return words(item()); });
      return this.popup;
    },
    openPopup: function () {
      this.owner.opened = this.getPopup();
      this.opened = this.getPopup().openOn(map);
    }
  };

  var Signs = L.Layer.extend({
    initialize: function (pane, signs) {
      L.setOptions(this, { pane: pane });
      var layer = this, made = {};
      this.box = L.SVG.create("g");
      this.signs = signs;
      signs.forEach(function (sign, n) {
        var kind = sign.stroke + sign.wide;
        made[kind] = made[kind] || layer.plain(sign);
        sign.path = made[kind].cloneNode(false);
        sign.path.fieldcomb = n;
        layer.look(n, sign.sign, sign.fill);
        if (sign.id) {
          sign.path.setAttribute("aria-label", sign.label);
          sign.path.setAttribute("data-piece", sign.id);
        }
        sign.piece = new Piece(sign, layer);
      });
      this.only(function () { return true; });
      this.on("click", this.tapped, this);
      this.box.addEventListener("keydown", this.pressed.bind(this));
      this.box.addEventListener("focusin", this.reached.bind(this));
    },

    plain: function (sign) {
      var path = L.SVG.create("path"), look = { stroke: sign.stroke, "stroke-width": sign.wide, "fill-rule": "evenodd" };
      if (sign.id) { L.extend(look, { "class": "leaflet-interactive", tabindex: 0, role: "button" }); }
      look["stroke-linecap"] = look["stroke-linejoin"] = "round";
      Object.keys(look).forEach(function (name) { path.setAttribute(name, look[name]); });
      return path;
    },

    look: function (n, sign, fill) {
      this.signs[n].path.setAttribute("d", shapes[sign]);
      this.signs[n].path.setAttribute("fill", fill);
    },

    /* Shows those that pass a test, in their order, and says how many they are. */
    only: function (passes) {
      var some = document.createDocumentFragment(), count = 0, layer = this;
      this.box.textContent = "";
      this.signs.forEach(function (sign, n) {
        if (passes(n)) {
          some.appendChild(sign.path);
          count += 1;
        } else if (layer.opened && sign.piece.popup === layer.opened) { map.closePopup(layer.opened); }
      });
      this.box.appendChild(some);
      return count;
    },

    getEvents: function () { return { zoomend: this.place, viewreset: this.place }; },
    onAdd: function () {
      map.getRenderer(this)._rootGroup.appendChild(this.box);
      this.addInteractiveTarget(this.box);
      this.place();
    },
    onRemove: function () {
      if (this.opened) { map.closePopup(this.opened); }
      this.removeInteractiveTarget(this.box);
      L.DomUtil.remove(this.box);
    },

    place: function () {
      var origin = map.getPixelOrigin(), at = [map.getZoom(), origin.x, origin.y].join();
      if (at === this.placed) { return; }
      this.placed = at;
      var times = scale().toFixed(3);
      this.signs.forEach(function (sign) {
        var point = map.latLngToLayerPoint(sign.at);
        sign.path.setAttribute("transform", "translate(" + point.x + " " + point.y + ") scale(" + times + ")");
      });
    },

    signOf: function (path) { return this.signs[path.fieldcomb]; },
    tapped: function (event) {
      var sign = this.signOf(event.originalEvent.target);
      if (!sign || !sign.id) { return; }
      L.DomEvent.stopPropagation(event);
      sign.piece.openPopup();
    },
    pressed: function (event) {
      var sign = this.signOf(event.target);
      if (sign && (event.key === "Enter" || event.key === " ")) {
        event.preventDefault();
        event.stopPropagation();
        show(sign.piece);
      }
    },
    reached: function (event) {
      var sign = this.signOf(event.target);
      if (sign && sign.path.matches(":focus-visible") && !map.getBounds().contains(sign.at)) {
        map.panTo(sign.at, { animate: false });
      }
    }
  });

  /* Letters and numbers on the ground, each with its middle on a place. */
  var Letters = L.Layer.extend({
    initialize: function (letters) { this.letters = letters; },
    getEvents: function () {
      var events = { zoomend: this.place, viewreset: this.place };
      if (this._zoomAnimated) { events.zoomanim = this.glide; }
      return events;
    },
    onAdd: function () {
      var pane = map.getPane("tooltipPane"), zoomed = " leaflet-zoom-" + (this._zoomAnimated ? "animated" : "hide");
      this.letters.forEach(function (letter) {
        letter.box = letter.box || document.createElement("div");
        letter.box.className = "letter-at" + zoomed;
        if (!letter.box.firstChild) { letter.box.appendChild(document.createElement("span")).className = "leaflet-tooltip letter"; }
        letter.box.firstChild.textContent = letter.text;
        letter.place = letter.at();
        pane.appendChild(letter.box);
      });
      this.place();
    },
    onRemove: function () { this.letters.forEach(function (letter) { L.DomUtil.remove(letter.box); }); },
    place: function () {
      this.letters.forEach(function (letter) { L.DomUtil.setPosition(letter.box, map.latLngToLayerPoint(letter.place)); });
    },
    glide: function (event) {
      this.letters.forEach(function (letter) {
        L.DomUtil.setPosition(letter.box, map._latLngToNewLayerPoint(letter.place, event.zoom, event.center).round());
      });
    }
  });

  return {
    signs: function (pane, signs) { return new Signs(pane, signs); },
    letters: function (letters) { return new Letters(letters); }
  };
};
