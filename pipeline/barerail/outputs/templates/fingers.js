"use strict";
/** A finger turns the view, two zoom and move it; plotly turns by touch too, but tells nobody where it then looks from. */
function fingersOn(scene, { turned, moved }) {
  const RADIANS_PX = Math.PI / 400;
  let before = null, now = null, waiting = false;

  const middle = (touches) => ["clientX", "clientY"].map((k) => touches.reduce((s, t) => s + t[k], 0) / touches.length);
  const spread = ([a, b]) => (b ? Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY) : 0);
  const held = (event) => {
    const touches = [...event.touches].slice(0, 2);
    return touches.length ? { count: touches.length, at: middle(touches), spread: spread(touches) } : null;
  };

  function step() {
    waiting = false;
    if (!before || !now) return;
    const [dx, dy] = now.at.map((v, k) => v - before.at[k]);
    if (now.count === 1) turned(-dx * RADIANS_PX, -dy * RADIANS_PX);
    else moved(dx, dy, before.spread > 0 ? now.spread / before.spread : 1);
    before = now;
  }

  /** Another finger more or less is another start. */
  function follow(event) {
    event.stopPropagation();
    now = held(event);
    if (!before || !now || before.count !== now.count) { before = now; return; }
    event.preventDefault();
    if (!waiting) requestAnimationFrame(step);
    waiting = true;
  }

  for (const name of ["touchstart", "touchmove", "touchend", "touchcancel"]) scene.addEventListener(name, follow, { capture: true, passive: false });
}
