/* Who asked the system for less motion gets a map that is at its end at once: nothing fades, glides or zooms on its way. */
if (window.matchMedia && window.matchMedia("(prefers-reduced-motion: reduce)").matches) {
  L.Map.mergeOptions({ fadeAnimation: false, zoomAnimation: false, markerZoomAnimation: false, inertia: false });
  L.Map.include({
    panBy: (function (gliding) {
      return function (by, how) { return gliding.call(this, by, L.extend({}, how, { animate: false })); };
    })(L.Map.prototype.panBy)
  });
}
