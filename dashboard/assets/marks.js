/* One mark for each kind of need, told apart by shape alone: 24 units square, drawn in the colour of the text. */
(function (root) {
  "use strict";

  const line = (d) => '<path d="' + d + '" fill="none" stroke="currentColor" stroke-width="2.6" stroke-linecap="butt" stroke-linejoin="miter"/>';
  const solid = (d) => '<path d="' + d + '" fill="currentColor"/>';
  const SHAPES = {
    fill: line("M4 3V20H20V3") + solid("M4 16.5H20V20H4Z"),
    too_dry: solid("M1.5 3H22.5L12 22Z"),
    too_wet: solid("M1 4H23V8H1ZM1 10.5H23V14.5H1ZM1 17H23V21H1Z"),
    drinks_less: line("M2 5H8.5V12H15V19H22.5"),
    follow_up: line("M8 3H3V21H8M16 3H21V21H16") + solid("M9.5 9.5H14.5V14.5H9.5Z"),
    look: line("M8 3H3V21H8M16 3H21V21H16") + solid("M9.5 9.5H14.5V14.5H9.5Z"),
    too_cold: line("M12 2V22M7 22H17") + solid("M8.5 15H15.5V22H8.5Z"),
    too_hot: line("M12 2V22M7 22H17") + solid("M8.5 4H15.5V22H8.5Z"),
    sensor_silent: '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="2.6" stroke-dasharray="4.4 3.7"/>',
    sensor_failed: '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="2.6"/>' + line("M5.5 18.5L18.5 5.5"),
    battery_low: line("M2.5 7H18.5V17H2.5Z") + solid("M20 10H22.5V14H20ZM4.5 9H7.5V15H4.5Z"),
    humidity_held: line("M2 21V5H22") + solid("M6 8H22V11H6Z"),
    measured: solid("M3 3H21V21H3Z"),
    borrowed: line("M4.3 4.3H19.7V19.7H4.3Z") + solid("M3 3H12V21H3Z"),
    guessed: line("M4.3 4.3H19.7V19.7H4.3Z"),
  };

  function mark(kind) {
    const shape = SHAPES[kind] || SHAPES.look;
    return '<svg class="mark mark-' + (SHAPES[kind] ? kind : "look") + '" viewBox="0 0 24 24" aria-hidden="true">' + shape + "</svg>";
  }

  root.dryline = Object.assign(root.dryline || {}, { mark });
})(window);
