"use strict";
// Front, up and left by touching the scan; the options to paste and a settings file.
(() => {
  const { view, look } = JSON.parse(document.getElementById("data").textContent);
  const form = document.getElementById("steps");
  const told = document.getElementById("steps-told");
  const options = document.getElementById("steps-options");
  const touched = {}, steps = [];
  const ORDER = ["front", "above", "left"];

  const { sum, dot, cross, unit, bytes } = vector;
  const sub = (a, b) => sum(a, b, -1);
  const steps16 = bytes(view.scan.xyz, Uint16Array), normals = bytes(view.scan.normals, Int8Array);
  const at = (i) => [0, 1, 2].map((k) => view.scan.low[k] + view.scan.step * steps16[3 * i + k]);

  /** The way the face about a place looks, towards the viewer: mean of the normals close by. */
  function faceOf(place, eye) {
    let total = [0, 0, 0], nearest = [Infinity, 0];
    for (let i = 0; i < normals.length / 3; i++) {
      const away = Math.hypot(...sub(at(i), place));
      if (away < nearest[0]) nearest = [away, i];
      if (away > look.patch) continue;
      const n = [normals[3 * i], normals[3 * i + 1], normals[3 * i + 2]];
      const sign = dot(n, eye) < 0 ? -1 : 1;
      total = sum(total, n, sign);
    }
    if (Math.hypot(...total) === 0) total = [0, 1, 2].map((k) => normals[3 * nearest[1] + k]);
    return unit(total);
  }

  function take(event) {
    const step = form.elements.step.value, { place, eye } = event.detail;
    steps.push([step, touched[step]]);
    touched[step] = step === "above" ? sum(look.middle, faceOf(place, eye), look.size) : place;
    const next = ORDER.find((name) => !touched[name]);
    if (next) form.elements.step.value = next;
    show();
  }

  /** What is wrong with the three, or nothing. */
  function fault() {
    const { front, above, left } = touched;
    if (!front || !above) return "";
    const up = unit(sub(above, look.middle));
    const ahead = sub(front, look.middle), level = sum(ahead, up, -dot(ahead, up));
    if (Math.hypot(...level) < 0.15 * look.size) return "The front is nearly straight above or below the middle: touch front or up again.";
    if (left && dot(cross(up, unit(level)), sub(left, look.middle)) < 0) return "With this front and up, the part you touched is on the right: touch front or up again.";
    return "";
  }

  const inFile = (place) => place.map((v) => Number((v / look.mm).toPrecision(7)));

  function show() {
    const wrong = fault(), { front, above, left } = touched;
    for (const name of ORDER) {
      form.querySelector(`[data-of=${name}]`).textContent = touched[name] ? inFile(touched[name]).map((v) => vector.fixed(v, look.decimals)).join(", ") : "not yet";
    }
    const done = Boolean(front && above && !wrong);
    told.textContent = wrong || (done ? (left ? "All three agree." : "Enough; touch a part on the left to be sure.") : "Turn the scan so that you see the place, then touch it.");
    told.classList.toggle("warn", Boolean(wrong));
    form.querySelector("[data-do=download]").disabled = !done;
    form.querySelector("[data-do=undo]").disabled = steps.length === 0;
    options.textContent = done ? command() : look.command;
  }

  const text = (place) => inFile(place).map((v) => vector.fixed(v, look.decimals)).join();
  const command = () => `${look.command} --unit ${look.unit} --front=${text(touched.front)} --above=${text(touched.above)}`;
  const toml = () => `# front and above by touching the scan, in the file's own coordinates and unit\n[read]\nunit = "${look.unit}"\n[datum]\nfront = [${text(touched.front)}]\nabove = [${text(touched.above)}]\n`;

  function undo() {
    const step = steps.pop();
    if (!step) return;
    if (step[1]) touched[step[0]] = step[1]; else delete touched[step[0]];
    form.elements.step.value = step[0];
    show();
  }

  function download() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([toml()], { type: "text/plain" }));
    link.download = "look.toml";
    link.click();
    URL.revokeObjectURL(link.href);
  }

  document.addEventListener("touched", take);
  form.querySelector("[data-do=undo]").addEventListener("click", undo);
  form.querySelector("[data-do=download]").addEventListener("click", download);
  window.lookFile = toml;
})();
