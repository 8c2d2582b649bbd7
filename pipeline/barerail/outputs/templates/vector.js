"use strict";
// Vectors of three numbers, and packed arrays read back; what every script of the page works with.
const vector = {
  sum: (a, b, s = 1) => a.map((v, k) => v + s * b[k]),
  dot: (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2],
  cross: (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]],
  unit: (a) => a.map((v) => v / Math.hypot(...a)),
  xyz: (a) => ({ x: a[0], y: a[1], z: a[2] }),
  list: (o) => [o.x, o.y, o.z],
  fixed: (v, decimals) => v.toFixed(decimals).replace(/^-(?=[0.]*$)/, ""),
  bytes: (text, Kind) => new Kind(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer),
};
