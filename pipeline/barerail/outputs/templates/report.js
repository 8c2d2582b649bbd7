"use strict";
(() => {
  const { view, straight } = JSON.parse(document.getElementById("data").textContent);
  const scene = document.getElementById("scene");
  const tags = document.getElementById("tags");
  const all = (query) => [...document.querySelectorAll(query)];
  const bytes = (text, Kind) => new Kind(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);

  // A drawing buffer that is kept can be printed; plotly doesn't ask for one.
  const context = HTMLCanvasElement.prototype.getContext;
  HTMLCanvasElement.prototype.getContext = function (kind, options) {
    return context.call(this, kind, kind.startsWith("webgl") ? { ...options, preserveDrawingBuffer: true } : options);
  };

  // ---- vectors and the box
  const sum = (a, b, s = 1) => a.map((v, k) => v + s * b[k]);
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => a.map((v) => v / Math.hypot(...a));
  const xyz = (a) => ({ x: a[0], y: a[1], z: a[2] });
  const list = (o) => [o.x, o.y, o.z];
  const range = sum(view.high, view.low, -1);
  const middle = sum(view.low, range, 0.5);

  // ---- the scan: a mesh as it is, a cloud as one small square a point, turned to its surface
  function vertices(scan) {
    const steps = bytes(scan.xyz, Uint16Array);
    const out = new Float32Array(steps.length);
    for (let i = 0; i < out.length; i++) out[i] = scan.low[i % 3] + scan.step * steps[i];
    return out;
  }

  function column(values, k) {
    const out = new Float32Array(values.length / 3);
    for (let i = 0; i < out.length; i++) out[i] = values[3 * i + k];
    return out;
  }

  function mesh(scan) {
    const p = vertices(scan);
    const t = bytes(scan.triangles, Uint32Array);
    const corner = (k) => t.filter((_, i) => i % 3 === k);
    return { x: column(p, 0), y: column(p, 1), z: column(p, 2), i: corner(0), j: corner(1), k: corner(2), intensity: bytes(scan.grey, Uint8Array) };
  }

  function squares(scan) {
    const p = vertices(scan), normal = bytes(scan.normals, Int8Array);
    const radius = bytes(scan.radius, Uint8Array), grey = bytes(scan.grey, Uint8Array);
    const n = grey.length;
    const [x, y, z, intensity] = [0, 0, 0, 0].map(() => new Float32Array(4 * n));
    const [i, j, k] = [0, 0, 0].map(() => new Uint32Array(2 * n));
    for (let q = 0; q < n; q++) {
      const o = [normal[3 * q], normal[3 * q + 1], normal[3 * q + 2]];
      const r = radius[q] / 10;
      const u = unit(cross(o, Math.abs(o[2]) < 90 ? [0, 0, 1] : [1, 0, 0]));
      const v = cross(unit(o), u);
      for (let c = 0; c < 4; c++) {
        const a = r * [1, 1, -1, -1][c] * Math.SQRT1_2, b = r * [1, -1, -1, 1][c] * Math.SQRT1_2;
        x[4 * q + c] = p[3 * q] + a * u[0] + b * v[0];
        y[4 * q + c] = p[3 * q + 1] + a * u[1] + b * v[1];
        z[4 * q + c] = p[3 * q + 2] + a * u[2] + b * v[2];
        intensity[4 * q + c] = grey[q];
      }
      i[2 * q] = i[2 * q + 1] = 4 * q;
      j[2 * q] = 4 * q + 1; k[2 * q] = j[2 * q + 1] = 4 * q + 2; k[2 * q + 1] = 4 * q + 3;
    }
    return { x, y, z, i, j, k, intensity };
  }

  const surface = {
    type: "mesh3d", meta: { role: "scan" }, hoverinfo: view.pick ? "none" : "skip", showscale: false, cmin: 0, cmax: 255,
    colorscale: view.scan.colours ?? [[0, "#15191d"], [0.5, "#7d858a"], [1, "#f4f4ef"]],
    lighting: view.scan.colours ? { ambient: 0.5, diffuse: 0.75, specular: 0, roughness: 1, fresnel: 0 } : { ambient: 1, diffuse: 0, specular: 0, roughness: 1, fresnel: 0 },
    ...(view.scan.triangles ? mesh(view.scan) : squares(view.scan)),
  };

  // ---- camera: orthographic, so one unit of the view is 1 / scale mm whatever the direction
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
  // Where x counts rearward and y right, the car's own front and left lie the other way.
  const ofCar = ([x, y, z]) => (view.turned ? [-x, -y, z] : [x, y, z]);

  function axes(camera) {
    const forward = unit(sum(list(camera.center), list(camera.eye), -1));
    const right = unit(cross(forward, list(camera.up)));
    return { forward, right, up: cross(right, forward) };
  }

  function framed(name) {
    const tall = scene.clientHeight > scene.clientWidth;
    const [away, up] = ((tall && TALL[name]) || VIEWS[name]).map(ofCar);
    const camera = { eye: xyz(unit(away).map((v) => v * FAR)), center: xyz([0, 0, 0]), up: xyz(up) };
    const a = axes(camera);
    const half = (d) => 0.5 * range.reduce((s, r, k) => s + r * Math.abs(d[k]), 0);
    const aspect = scene.clientWidth / scene.clientHeight;
    return { camera, scale: 0.94 * Math.min(aspect / half(a.right), 1 / half(a.up)) };
  }

  let scale = 1, camera;

  function look(next, wanted) {
    camera = next;
    const edit = { "scene.camera": { ...next, projection: { type: "orthographic" } } };
    if (wanted !== scale) {
      scale = wanted;
      edit["scene.aspectratio"] = xyz(range.map((r) => r * scale));
    }
    return Plotly.relayout(scene, edit).then(place);
  }

  function show(name) {
    const f = framed(name);
    return look(f.camera, f.scale).then(() => pressed(name));
  }

  const pressed = (name) => all("[data-view]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.view === name)));

  function zoom(factor, about = list(camera.center)) {
    const eye = sum(list(camera.eye), list(camera.center), -1);
    const centre = about.map((v) => v * factor);
    return look({ ...camera, center: xyz(centre), eye: xyz(sum(centre, eye)) }, scale * factor);
  }

  function turn(sideways, upward) {
    const a = axes(camera), centre = list(camera.center);
    const eye = sum(list(camera.eye), centre, -1);
    const spin = (v, axis, angle) => {
      const c = Math.cos(angle), s = Math.sin(angle), d = dot(axis, v) * (1 - c), w = cross(axis, v);
      return v.map((x, k) => x * c + w[k] * s + axis[k] * d);
    };
    const moved = (v) => spin(spin(v, [0, 0, 1], sideways), a.right, upward);
    return look({ ...camera, eye: xyz(sum(centre, moved(eye))), up: xyz(moved(a.up)) }, scale);
  }

  // ---- names over the view, those that would overlap left out
  const shown = (role, key, value) => document.querySelector(`[data-show="${role}"][data-${key}="${value}"]`)?.checked ?? true;
  const isOn = (name) => document.querySelector(`[data-show="${name}"]`).checked;
  const colours = Object.fromEntries(view.traces.filter((t) => t.meta.role === "points").map((t) => [t.meta.kind, t.marker.color]));
  const labels = [
    ...view.datum.map((d) => ({ ...d, on: () => isOn("datum") })),
    ...view.points.map((p, index) => ({ index, text: p.name, at: p.at, kind: p.kind, on: () => p.named !== false && shown("names", "kind", p.kind) && shown("side", "side", p.side) })).filter((p) => p.at),
  ];
  for (const label of labels) {
    label.node = document.createElement("div");
    label.node.className = label.index === undefined ? "tag fixed" : "tag";
    label.node.textContent = label.text;
    if (label.kind) label.node.style.setProperty("--kind", colours[label.kind]);
    if (label.index !== undefined) label.node.addEventListener("click", () => tell(label.index));
    tags.append(label.node);
  }
  const ring = tags.appendChild(document.createElement("div"));
  ring.className = "ring";
  let chosen = -1;
  labels.forEach((label) => { label.size = [label.node.offsetWidth, label.node.offsetHeight]; });

  function place() {
    const a = axes(camera), w = scene.clientWidth, h = scene.clientHeight, taken = [];
    const at = (place) => {
      const p = sum(sum(place, middle, -1).map((v) => v * scale), list(camera.center), -1);
      return [w / 2 + dot(p, a.right) * h / 2, h / 2 - dot(p, a.up) * h / 2];
    };
    let wanted = 0, seen = 0;
    ring.hidden = chosen < 0;
    if (chosen >= 0) ring.style.transform = `translate(${at(view.points[chosen].at).map((v) => v + "px").join()})`;
    for (const label of [...labels].sort((l) => (l.index === chosen ? -1 : 0))) {
      const [x, y] = at(label.at);
      const [lw, lh] = label.size;
      const spots = [[x + 8, y - lh - 2], [x - lw - 8, y - lh - 2], [x + 8, y + 2], [x - lw - 8, y + 2]];
      const free = ([l, t]) => l >= 0 && t >= 0 && l + lw <= w && t + lh <= h && !taken.some((b) => l < b[2] && l + lw > b[0] && t < b[3] && t + lh > b[1]);
      const on = label.index === chosen || label.on(), spot = on ? spots.find(free) : undefined;
      if (label.index !== undefined && on) { wanted++; if (spot) seen++; }
      label.node.style.visibility = spot ? "visible" : "hidden";
      if (!spot) continue;
      label.box = [...spot, lw, lh];
      taken.push([spot[0], spot[1], spot[0] + lw, spot[1] + lh]);
      label.node.style.transform = `translate(${spot[0]}px, ${spot[1]}px)`;
    }
    document.getElementById("shown").textContent = `${seen} of ${wanted} names fit in this view${seen < wanted ? "; zoom in for the rest" : ""}.`;
  }

  // ---- switches, and what is known of one point
  function switched(event) {
    const { show } = event.target.dataset;
    if (show === "names") return place();
    if (show === "grid") {
      const visible = isOn("grid");
      return Plotly.relayout(scene, { "scene.xaxis.visible": visible, "scene.yaxis.visible": visible, "scene.zaxis.visible": visible });
    }
    const on = (m) => ["scan", "datum", "gaps"].includes(m.role) ? isOn(m.role) : shown("points", "kind", m.kind) && shown("side", "side", m.side);
    const changed = scene.data.map((t, i) => i).filter((i) => (scene.data[i].visible ?? true) !== on(scene.data[i].meta));
    place();
    return changed.length && Plotly.restyle(scene, { visible: changed.map((i) => on(scene.data[i].meta)) }, changed);
  }

  function tell(index) {
    const p = view.points[index], card = document.getElementById("card");
    chosen = p.at ? index : -1;
    const add = (parent, tag, text = "") => { const e = parent.appendChild(document.createElement(tag)); e.textContent = text; return e; };
    card.replaceChildren();
    add(card, "h3", p.name);
    const rows = add(card, "dl");
    for (const [label, text] of p.details) { const row = add(rows, "div"); add(row, "dt", label); add(row, "dd", text); }
    document.dispatchEvent(new CustomEvent("chosen", { detail: index }));
    place();
  }

  // A point got another name by hand: naming.js says so.
  document.addEventListener("named", ({ detail: { index, text } }) => {
    const label = labels.find((l) => l.index === index);
    if (!label || label.text === text) return;
    label.text = label.node.textContent = text;
    label.size = [label.node.offsetWidth, label.node.offsetHeight];
    place();
  });

  function visit(index) {
    tell(index);
    return go(view.points[index]);
  }

  /** The view close to a place, seen from its `from`. */
  function go(p) {
    const next = 2 / Math.max(200, 10 * p.size);
    const centre = sum(p.at, middle, -1).map((v) => v * next);
    const eye = unit(p.from).map((v) => v * FAR);
    const up = Math.abs(p.from[2]) > 0.9 * Math.hypot(...p.from) ? [1, 0, 0] : [0, 0, 1];
    scene.scrollIntoView({ block: "center" });
    return look({ center: xyz(centre), eye: xyz(sum(centre, eye)), up: xyz(up) }, next);
  }

  // ---- start
  const axis = (name, k) => ({ title: { text: `${name} ${view.axes[k]}, mm` }, range: [view.low[k], view.high[k]], visible: false, showspikes: false, color: "#7d858a", gridcolor: "#7d858a" });
  const first = framed("three-quarter");
  camera = first.camera;
  scale = first.scale;
  const layout = {
    margin: { l: 0, r: 0, t: 0, b: 0 }, showlegend: false, paper_bgcolor: "rgba(0,0,0,0)", hovermode: "closest",
    scene: {
      xaxis: axis("x", 0), yaxis: axis("y", 1), zaxis: axis("z", 2), dragmode: "orbit",
      aspectmode: "manual", aspectratio: xyz(range.map((r) => r * scale)),
      camera: { ...camera, projection: { type: "orthographic" } },
    },
  };
  const config = { displayModeBar: false, responsive: true, scrollZoom: true };
  const plot = straight && { ...straight.layout, margin: { l: 70, r: 15, t: 10, b: 50 }, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", legend: { orientation: "h", y: -0.12 } };
  if (straight) Plotly.newPlot("plot", straight.data, plot, { displayModeBar: false, responsive: true });

  Plotly.newPlot(scene, [surface, ...view.traces], layout, config).then(() => {
    const follow = (event) => {
      if (event["scene.camera"]) camera = event["scene.camera"];
      if (event["scene.aspectratio"]) scale = event["scene.aspectratio"].x / range[0];
      if (event["scene.camera"] || event["scene.aspectratio"]) { pressed(""); place(); }
    };
    scene.on("plotly_relayouting", follow);
    scene.on("plotly_relayout", follow);
    const point = (event) => { const at = event.points[0].customdata; if (at !== undefined) tell(at); };
    scene.on("plotly_click", point);
    scene.on("plotly_click", ({ points: [at] }) => {
      if (at.customdata !== undefined) return;
      const eye = sum(list(camera.eye), list(camera.center), -1);
      document.dispatchEvent(new CustomEvent("touched", { detail: { place: [at.x, at.y, at.z], eye } }));
    });
    scene.on("plotly_hover", point);
    all("[data-view]").forEach((b) => b.addEventListener("click", () => show(b.dataset.view)));
    all("[data-zoom]").forEach((b) => b.addEventListener("click", () => zoom(Number(b.dataset.zoom))));
    all("[data-show]").forEach((b) => b.addEventListener("change", switched));
    all("[data-point]").forEach((b) => b.addEventListener("click", () => visit(Number(b.dataset.point))));
    all("[data-spot]").forEach((b) => b.addEventListener("click", () => go(view.spots[Number(b.dataset.spot)])));
    all("[data-name]").forEach((b) => b.addEventListener("click", () => visit(view.points.findIndex((p) => p.name === b.dataset.name))));
    const keys = { ArrowLeft: () => turn(0.15, 0), ArrowRight: () => turn(-0.15, 0), ArrowUp: () => turn(0, 0.15), ArrowDown: () => turn(0, -0.15), "+": () => zoom(1.25), "=": () => zoom(1.25), "-": () => zoom(0.8) };
    scene.addEventListener("keydown", (event) => { if (keys[event.key]) { event.preventDefault(); keys[event.key](); } });
    new ResizeObserver(place).observe(scene);
    show("three-quarter").then(() => { document.body.dataset.ready = "yes"; });
  });

  // ---- on paper: the view as it stands, names drawn into it, and every fold open
  addEventListener("beforeprint", () => {
    all("details").forEach((d) => { d.open = true; });
    const paper = document.getElementById("paper"), ratio = 2, w = scene.clientWidth, h = scene.clientHeight;
    [paper.width, paper.height] = [w * ratio, h * ratio];
    const pen = paper.getContext("2d");
    pen.scale(ratio, ratio);
    const drawn = scene.querySelector("canvas");
    if (drawn) pen.drawImage(drawn, 0, 0, w, h);
    pen.font = "11px sans-serif";
    for (const { node, text, box } of labels) {
      if (node.style.visibility !== "visible") continue;
      pen.fillStyle = "#fff";
      pen.fillRect(...box);
      pen.fillStyle = "#000";
      pen.fillText(text, box[0] + 8, box[1] + 12, box[2] - 8);
    }
  });
})();
