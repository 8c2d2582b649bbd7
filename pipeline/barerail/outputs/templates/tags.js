"use strict";
/** Names over the view, those that would overlap left out; `tell` is called with the index of a name touched. */
function tagsOver(view, scene, tell) {
  const tags = document.getElementById("tags");
  const checked = (query) => document.querySelector(query)?.checked ?? true;
  const wanted = (p) => p.named !== false && checked(`[data-show="names"][data-kind="${p.kind}"]`) && checked(`[data-show="side"][data-side="${p.side}"]`);
  const colours = Object.fromEntries(view.traces.filter((t) => t.meta.role === "points").map((t) => [t.meta.kind, t.marker.color]));
  const labels = [
    ...view.datum.map((d) => ({ ...d, on: () => checked('[data-show="datum"]') })),
    ...view.points.map((p, index) => ({ index, text: p.name, at: p.at, kind: p.kind, on: () => wanted(p) })).filter((p) => p.at),
  ];
  for (const label of labels) {
    label.node = tags.appendChild(document.createElement("div"));
    label.node.className = label.index === undefined ? "tag fixed" : "tag";
    if (label.kind) label.node.style.setProperty("--kind", colours[label.kind]);
    if (label.index !== undefined) label.node.addEventListener("click", () => tell(label.index));
    label.node.textContent = label.text;
  }
  const RING = 16;
  const ring = tags.appendChild(document.createElement("div"));
  ring.className = "ring";

  const measure = (label) => { label.size = [label.node.offsetWidth, label.node.offsetHeight]; };
  labels.forEach(measure);

  /** `at` takes a place to pixels; the chosen point's name comes first, whatever is switched off. */
  function place(at, chosen) {
    const w = scene.clientWidth, h = scene.clientHeight, taken = [];
    let asked = 0, seen = 0;
    ring.hidden = chosen < 0;
    if (chosen >= 0) {
      const [x, y] = at(view.points[chosen].at);
      ring.style.transform = `translate(${x}px, ${y}px)`;
      taken.push([x - RING, y - RING, x + RING, y + RING]);
    }
    for (const label of [...labels].sort((l) => (l.index === chosen ? -1 : 0))) {
      const [x, y] = at(label.at);
      const [lw, lh] = label.size, off = label.index === chosen ? RING + 2 : 8;
      const spots = [[x + off, y - lh - 2], [x - lw - off, y - lh - 2], [x + off, y + 2], [x - lw - off, y + 2]];
      const free = ([l, t]) => l >= 0 && t >= 0 && l + lw <= w && t + lh <= h && !taken.some((b) => l < b[2] && l + lw > b[0] && t < b[3] && t + lh > b[1]);
      const on = label.index === chosen || label.on(), spot = on ? spots.find(free) : undefined;
      if (label.index !== undefined && on) { asked++; if (spot) seen++; }
      label.node.style.visibility = spot ? "visible" : "hidden";
      if (!spot) continue;
      label.box = [...spot, lw, lh];
      taken.push([spot[0], spot[1], spot[0] + lw, spot[1] + lh]);
      label.node.style.transform = `translate(${spot[0]}px, ${spot[1]}px)`;
    }
    document.getElementById("shown").textContent = asked === 0 ? "" : `${seen} of ${asked} names fit in this view${seen < asked ? "; zoom in for the rest" : ""}.`;
  }

  /** Give a point another name; whether that changed anything. */
  function rename(index, text) {
    const label = labels.find((l) => l.index === index);
    if (!label || label.text === text) return false;
    label.text = label.node.textContent = text;
    measure(label);
    return true;
  }

  /** Draw the names that are seen with a canvas's pen. */
  function draw(pen) {
    pen.font = "11px sans-serif";
    for (const { node, text, box } of labels) {
      if (node.style.visibility !== "visible") continue;
      pen.fillStyle = "#fff";
      pen.fillRect(...box);
      pen.fillStyle = "#000";
      pen.fillText(text, box[0] + 8, box[1] + 12, box[2] - 8);
    }
  }

  return { place, rename, draw };
}
