// The part of the line in the picture: whole, zoomed, moved along, or following the belt.

const NEAREST_MM = 40;

/** A view shared by all pictures of the page, so that their lines are aligned. */
const makeView = (setups) => {
  const whole = [
    Math.min(...setups.map((s) => s.left_mm)),
    Math.max(...setups.map((s) => s.right_mm)),
  ];
  const view = {
    left: whole[0],
    span: whole[1] - whole[0],
    wholeSpan: whole[1] - whole[0],
    follows: false,
    isWhole: () => !view.follows && view.left === whole[0] && view.span === whole[1] - whole[0],
    showWhole() {
      view.follows = false;
      [view.left, view.span] = [whole[0], whole[1] - whole[0]];
    },
    /** Zoom by a factor (above 1: in) around a place on the line. */
    zoom(factor, around = view.left + view.span / 2) {
      const span = Math.min(2 * (whole[1] - whole[0]), Math.max(NEAREST_MM, view.span / factor));
      view.left = around - (around - view.left) * (span / view.span);
      view.span = span;
    },
    pan(share) {
      view.follows = false;
      view.left += share * view.span;
      view.keepNear();
    },
    moveBy(mm) {
      view.follows = false;
      view.left += mm;
      view.keepNear();
    },
    centre(x) {
      view.left = x - view.span / 2;
    },
    keepNear() {
      view.left = Math.min(whole[1] - view.span / 4, Math.max(whole[0] - (3 * view.span) / 4, view.left));
    },
  };
  return view;
};
