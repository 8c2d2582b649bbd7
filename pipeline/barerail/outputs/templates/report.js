"use strict";
// The 3D view: its buttons, switches and keys, and what is known of the point that was chosen.
(() => {
  const { view, straight } = JSON.parse(document.getElementById("data").textContent);
  const scene = document.getElementById("scene");
  const all = (query) => [...document.querySelectorAll(query)];
  const cameras = camerasOf(view, scene);

  // A drawing buffer that is kept can be printed; plotly doesn't ask for one.
  const context = HTMLCanvasElement.prototype.getContext;
  HTMLCanvasElement.prototype.getContext = function (kind, options) {
    return context.call(this, kind, kind.startsWith("webgl") ? { ...options, preserveDrawingBuffer: true } : options);
  };

  // ---- looking
  let now = cameras.framed("three-quarter");
  let chosen = -1;
  const tags = tagsOver(view, scene, tell);
  const place = () => tags.place(cameras.onScreen(now), chosen);
  const pressed = (name) => all("[data-view]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.view === name)));

  function look(next) {
    const edit = { "scene.camera": { ...next.camera, projection: { type: "orthographic" } } };
    if (next.scale !== now.scale) edit["scene.aspectratio"] = cameras.aspect(next.scale);
    now = next;
    return Plotly.relayout(scene, edit).then(place);
  }

  const show = (name) => look(cameras.framed(name)).then(() => pressed(name));
  const zoom = (factor) => look(cameras.zoomed(now, factor));
  const turn = (sideways, upward) => look(cameras.turned(now, sideways, upward)).then(() => pressed(""));

  function go(p) {
    scene.scrollIntoView({ block: "center" });
    return look(cameras.closeTo(p));
  }

  function visit(index) {
    tell(index);
    return go(view.points[index]);
  }

  // ---- switches, and what is known of one point
  const shown = (role, key, value) => document.querySelector(`[data-show="${role}"][data-${key}="${value}"]`)?.checked ?? true;
  const isOn = (name) => document.querySelector(`[data-show="${name}"]`).checked;

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
  document.addEventListener("named", ({ detail: { index, text } }) => { if (tags.rename(index, text)) place(); });

  // ---- what the mouse, a finger and keys do
  function follow(event) {
    if (event["scene.camera"]) now = { ...now, camera: event["scene.camera"] };
    if (event["scene.aspectratio"]) now = { ...now, scale: cameras.scaleOf(event["scene.aspectratio"]) };
    if (event["scene.camera"] || event["scene.aspectratio"]) { pressed(""); place(); }
  }

  // plotly calls a press a click, so that every turn of the view would begin with one: here it is one where the pointer
  // is let go where it was pressed. What lies under it plotly tells some frames later.
  const STILL_PX = 6, FRAMES = 4;
  let under = null, pressedAt = [0, 0];

  function hover({ points: [at] }) {
    under = at;
    if (at.customdata !== undefined) tell(at.customdata);
  }

  function touch() {
    if (!under || under.customdata !== undefined) return;
    document.dispatchEvent(new CustomEvent("touched", { detail: { place: [under.x, under.y, under.z], eye: cameras.eyeOf(now.camera) } }));
  }

  const after = (frames, then) => (frames ? requestAnimationFrame(() => after(frames - 1, then)) : then());
  const away = (event) => Math.hypot(event.clientX - pressedAt[0], event.clientY - pressedAt[1]);

  const KEYS = { ArrowLeft: () => turn(0.15, 0), ArrowRight: () => turn(-0.15, 0), ArrowUp: () => turn(0, 0.15), ArrowDown: () => turn(0, -0.15), "+": () => zoom(1.25), "=": () => zoom(1.25), "-": () => zoom(0.8) };

  function listen() {
    scene.on("plotly_relayouting", follow);
    scene.on("plotly_relayout", follow);
    scene.on("plotly_hover", hover);
    scene.on("plotly_click", hover);
    scene.on("plotly_unhover", () => { under = null; });
    scene.addEventListener("pointerdown", (event) => { pressedAt = [event.clientX, event.clientY]; }, true);
    scene.addEventListener("click", (event) => { if (away(event) < STILL_PX) after(FRAMES, touch); }, true);
    fingersOn(scene, { turned: turn, moved: (dx, dy, factor) => look(cameras.moved(now, dx, dy, factor)).then(() => pressed("")) });
    const pressing = (query, then) => all(query).forEach((b) => b.addEventListener("click", () => then(b.dataset)));
    pressing("[data-view]", (of) => show(of.view));
    pressing("[data-zoom]", (of) => zoom(Number(of.zoom)));
    pressing("[data-point]", (of) => visit(Number(of.point)));
    pressing("[data-spot]", (of) => go(view.spots[Number(of.spot)]));
    pressing("[data-name]", (of) => visit(view.points.findIndex((p) => p.name === of.name)));
    all("[data-show]").forEach((b) => b.addEventListener("change", switched));
    scene.addEventListener("keydown", (event) => { if (KEYS[event.key]) { event.preventDefault(); KEYS[event.key](); } });
    new ResizeObserver(place).observe(scene);
  }

  // ---- start
  const clear = "rgba(0,0,0,0)";
  const axis = (name, k) => ({ title: { text: `${name} ${view.axes[k]}, mm` }, range: [view.low[k], view.high[k]], visible: false, showspikes: false, color: "#7d858a", gridcolor: "#7d858a" });
  const layout = {
    margin: { l: 0, r: 0, t: 0, b: 0 }, showlegend: false, paper_bgcolor: clear, hovermode: "closest",
    scene: {
      xaxis: axis("x", 0), yaxis: axis("y", 1), zaxis: axis("z", 2), dragmode: "orbit",
      aspectmode: "manual", aspectratio: cameras.aspect(now.scale),
      camera: { ...now.camera, projection: { type: "orthographic" } },
    },
  };
  const plot = straight && { ...straight.layout, margin: { l: 70, r: 15, t: 10, b: 50 }, paper_bgcolor: clear, plot_bgcolor: clear, legend: { orientation: "h", y: -0.12 } };
  if (straight) Plotly.newPlot("plot", straight.data, plot, { displayModeBar: false, responsive: true });

  Plotly.newPlot(scene, [surfaceOf(view), ...view.traces], layout, { displayModeBar: false, responsive: true, scrollZoom: true }).then(() => {
    listen();
    show("three-quarter").then(() => { document.body.dataset.ready = "yes"; });
  });

  // ---- on paper: the view as it stands, names drawn into it, the plot as wide as A4, and every fold open
  const PAPER_PX = 670;
  addEventListener("beforeprint", () => {
    all("details").forEach((d) => { d.open = true; });
    if (straight) Plotly.relayout("plot", { width: PAPER_PX });
    const paper = document.getElementById("paper"), ratio = 2, w = scene.clientWidth, h = scene.clientHeight;
    [paper.width, paper.height] = [w * ratio, h * ratio];
    const pen = paper.getContext("2d");
    pen.scale(ratio, ratio);
    const drawn = scene.querySelector("canvas");
    if (drawn) pen.drawImage(drawn, 0, 0, w, h);
    tags.draw(pen);
  });
  addEventListener("afterprint", () => { if (straight) Plotly.relayout("plot", { width: null, autosize: true }); });
})();
