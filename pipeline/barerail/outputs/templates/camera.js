"use strict";
/** Where to look from. Orthographic: one unit of the view is 1 / scale mm whatever the direction. */
function camerasOf(view, scene) {
  const { sum, dot, cross, unit, xyz, list } = vector;
  const VIEWS = {
    "three-quarter": [[1, 0.8, 0.65], [0, 0, 1]],
    top: [[0, 0, 1], [0, 1, 0]],
    under: [[0, 0, -1], [0, 1, 0]],
    left: [[0, 1, 0], [0, 0, 1]],
    right: [[0, -1, 0], [0, 0, 1]],
    front: [[1, 0, 0], [0, 0, 1]],
    rear: [[-1, 0, 0], [0, 0, 1]],
  };
  const TALL = { "three-quarter": [[-1, 0.35, 1], [0, 0, 1]], top: [[0, 0, 1], [1, 0, 0]], under: [[0, 0, -1], [1, 0, 0]] };
  const FAR = 20;
  const range = sum(view.high, view.low, -1), middle = sum(view.low, range, 0.5);
  // Where x counts rearward and y right, the car's own front and left lie the other way.
  const ofCar = ([x, y, z]) => (view.turned ? [-x, -y, z] : [x, y, z]);
  const eyeOf = (camera) => sum(list(camera.eye), list(camera.center), -1);

  function axes(camera) {
    const forward = unit(sum(list(camera.center), list(camera.eye), -1));
    const right = unit(cross(forward, list(camera.up)));
    return { right, up: cross(right, forward) };
  }

  /** All of the scan, from one of the named sides. */
  function framed(name) {
    const tall = scene.clientHeight > scene.clientWidth;
    const [away, up] = ((tall && TALL[name]) || VIEWS[name]).map(ofCar);
    const camera = { eye: xyz(unit(away).map((v) => v * FAR)), center: xyz([0, 0, 0]), up: xyz(up) };
    const a = axes(camera);
    const half = (d) => 0.5 * range.reduce((s, r, k) => s + r * Math.abs(d[k]), 0);
    const aspect = scene.clientWidth / scene.clientHeight;
    return { camera, scale: 0.94 * Math.min(aspect / half(a.right), 1 / half(a.up)) };
  }

  /** Close to a place, seen from its `from`. */
  function closeTo(p) {
    const scale = 2 / Math.max(200, 10 * p.size);
    const centre = sum(p.at, middle, -1).map((v) => v * scale);
    const up = Math.abs(p.from[2]) > 0.9 * Math.hypot(...p.from) ? [1, 0, 0] : [0, 0, 1];
    return { camera: { center: xyz(centre), eye: xyz(sum(centre, unit(p.from).map((v) => v * FAR))), up: xyz(up) }, scale };
  }

  function zoomed({ camera, scale }, factor) {
    const centre = list(camera.center).map((v) => v * factor);
    return { camera: { ...camera, center: xyz(centre), eye: xyz(sum(centre, eyeOf(camera))) }, scale: scale * factor };
  }

  function turned({ camera, scale }, sideways, upward) {
    const a = axes(camera), centre = list(camera.center);
    const spin = (v, axis, angle) => {
      const c = Math.cos(angle), s = Math.sin(angle), d = dot(axis, v) * (1 - c), w = cross(axis, v);
      return v.map((x, k) => x * c + w[k] * s + axis[k] * d);
    };
    const moved = (v) => spin(spin(v, [0, 0, 1], sideways), a.right, upward);
    return { camera: { ...camera, eye: xyz(sum(centre, moved(eyeOf(camera)))), up: xyz(moved(a.up)) }, scale };
  }

  /** The scan moved by so many pixels and made larger about the middle of the view. */
  function moved({ camera, scale }, dx, dy, factor) {
    const a = axes(camera), px = 2 / scene.clientHeight;
    const centre = sum(sum(list(camera.center), a.right, -dx * px), a.up, dy * px);
    return zoomed({ camera: { ...camera, center: xyz(centre), eye: xyz(sum(centre, eyeOf(camera))) }, scale }, factor);
  }

  /** What takes a place to pixels of the scene. */
  function onScreen({ camera, scale }) {
    const a = axes(camera), w = scene.clientWidth, h = scene.clientHeight;
    return (place) => {
      const p = sum(sum(place, middle, -1).map((v) => v * scale), list(camera.center), -1);
      return [w / 2 + dot(p, a.right) * h / 2, h / 2 - dot(p, a.up) * h / 2];
    };
  }

  const aspect = (scale) => xyz(range.map((r) => r * scale));
  const scaleOf = (ratio) => ratio.x / range[0];
  return { framed, closeTo, zoomed, turned, moved, onScreen, eyeOf, aspect, scaleOf };
}
