"use strict";
// Names given by clicking: one form below the 3D view, an undo for each step, and a names file to download. What was
// given stays in the browser's own storage, where it gives a page of a file one, by scan, page and what each point was
// called.
(() => {
  const { view, naming } = JSON.parse(document.getElementById("data").textContent);
  const form = document.getElementById("naming");
  if (!form) return;
  const field = form.querySelector("input[name=name]");
  const told = document.getElementById("naming-told");
  const list = document.getElementById("named");
  const wanted = form.querySelector("textarea");
  const given = new Map();
  const steps = [];
  let chosen = -1;

  const kept = document.getElementById("naming-kept");
  const KEY = `barerail names ${naming.scan} ${location.pathname}`;
  let unsaved = false;

  const MIRROR = { "-L": "-R", "-R": "-L" };
  const point = (index) => view.points[index];
  const partner = (index) => view.points.findIndex((p) => p.name === point(index).partner);
  const say = (text, wrong = false) => { told.textContent = text; told.classList.toggle("warn", wrong); };

  /** The name with the ending of the point's side, or what is wrong with it. */
  function sided(text, side) {
    const ending = text.slice(-2).toUpperCase();
    if (!(ending in MIRROR)) return side === "C" ? text : `${text}-${side}`;
    const name = text.slice(0, -2) + ending;
    if (side === "C") throw new Error(`${text} ends in ${ending}, and this point is on the centre plane`);
    if (ending !== `-${side}`) throw new Error(`${text} ends in ${ending}, and this point is on the ${side === "L" ? "left" : "right"}`);
    return name;
  }

  function check(name, index) {
    const holder = [...given].find(([i, n]) => n === name && i !== index);
    if (holder) throw new Error(`${name} is given already, to ${point(holder[0]).name}`);
    const own = view.points.findIndex((p, i) => p.name === name && i !== index && !given.has(i));
    if (own >= 0) throw new Error(`${name} is what another point is called now`);
  }

  function pairOf(name, index) {
    const other = partner(index);
    const named = [[index, name]];
    if (other >= 0 && name.slice(-2) in MIRROR) named.push([other, name.slice(0, -2) + MIRROR[name.slice(-2)]]);
    named.forEach(([i, n]) => check(n, i));
    return named;
  }

  function give() {
    if (chosen < 0) return say("Choose a point first: tap it in the view, or its name in a table.", true);
    const text = field.value.trim();
    if (!text) return say("Type a name.", true);
    try {
      const named = pairOf(sided(text, point(chosen).side), chosen);
      steps.push(named.map(([i]) => [i, given.get(i)]));
      named.forEach(([i, n]) => given.set(i, n));
      field.value = "";
      say(`Named ${named.map(([, n]) => n).join(" and ")}.`);
    } catch (fault) {
      return say(fault.message, true);
    }
    return show();
  }

  function undo() {
    const step = steps.pop();
    if (!step) return say("Nothing to undo.");
    step.forEach(([i, before]) => (before === undefined ? given.delete(i) : given.set(i, before)));
    say("Undone.");
    return show();
  }

  /** Keep all that was given; false where the browser keeps nothing. */
  function keep() {
    const named = (pairs) => pairs.map(([i, name]) => [point(i).name, name ?? null]);
    const all = { given: named([...given]), steps: steps.map(named), wanted: wanted.value };
    try {
      localStorage.setItem(KEY, JSON.stringify(all));
      return localStorage.getItem(KEY) !== null;
    } catch {
      return false;
    }
  }

  /** What was given before, and how many names belong to points that this page has no more. */
  function recall() {
    let all;
    try { all = JSON.parse(localStorage.getItem(KEY)); } catch { return [0, 0]; }
    if (!all) return [0, 0];
    const at = ([was, name]) => [view.points.findIndex((p) => p.name === was), name ?? undefined];
    const here = all.given.map(at).filter(([i]) => i >= 0);
    here.forEach(([i, name]) => given.set(i, name));
    all.steps.map((step) => step.map(at).filter(([i]) => i >= 0)).filter((step) => step.length).forEach((step) => steps.push(step));
    wanted.value = all.wanted;
    return [here.length, all.given.length - here.length];
  }

  function show() {
    list.replaceChildren(...[...given].map(([i, name]) => {
      const row = document.createElement("li");
      row.textContent = `${name} (${point(i).kind}, was ${point(i).name})`;
      return row;
    }));
    form.querySelector("[data-do=download]").disabled = given.size === 0;
    form.querySelector("[data-do=undo]").disabled = steps.length === 0;
    view.points.forEach((p, i) => document.dispatchEvent(new CustomEvent("named", { detail: { index: i, text: given.get(i) ?? p.name } })));
    offer();
    const stays = keep();
    unsaved = !stays && given.size > 0;
    kept.textContent = stays ? "Names stay in this browser when the page closes, until you undo them." : "This browser keeps nothing for this page: download the names before you close it.";
  }

  /** The names wanted that nobody has yet, to pick from. */
  function offer() {
    const taken = new Set(given.values());
    const left = wanted.value.split(/\n/).map((n) => n.trim()).filter((n) => n && !taken.has(n));
    document.getElementById("wanted-names").replaceChildren(...left.map((n) => Object.assign(document.createElement("option"), { value: n })));
  }

  const cell = (text) => {
    const safe = /^[=+\-@#]/.test(text) ? `'${text}` : text;
    return /[",;]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  };

  /** The points named, and the tubes of nodes among them: many nodes stand at one place, and only these tell which. */
  function csv() {
    const called = (name) => given.get(view.points.findIndex((p) => p.name === name)) ?? name;
    const told = new Map(given);
    const tubes = [...given].flatMap(([i]) => point(i).tubes).map((name) => [view.points.findIndex((p) => p.name === name), called(name)]);
    tubes.filter(([i]) => i >= 0).forEach(([i, name]) => told.set(i, name));
    const nodes = [...told].some(([i]) => point(i).tubes.length);
    const of = (i) => (nodes ? [0, 1].map((k) => cell(called(point(i).tubes[k] ?? ""))) : []);
    const rows = [...told].map(([i, name]) => [cell(name), point(i).kind, ...point(i).at.map((v) => vector.fixed(v, 3)), ...of(i)].join());
    return [...naming.header.map((line) => `# ${line}`), `name,kind,x_mm,y_mm,z_mm${nodes ? ",tube_a,tube_b" : ""}`, ...rows, ""].join("\n");
  }

  function download() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
    link.download = "names.csv";
    link.click();
    URL.revokeObjectURL(link.href);
    unsaved = false;
    say("names.csv is downloaded: barerail points --names names.csv --job DIR");
  }

  document.addEventListener("chosen", (event) => {
    chosen = point(event.detail).at ? event.detail : -1;
    const other = chosen < 0 ? -1 : partner(chosen);
    form.querySelector("legend").textContent = chosen < 0 ? "Name a point" : `Name ${point(chosen).name}${other < 0 ? "" : " and its partner"}`;
    field.value = given.get(chosen) ?? "";
  });
  form.addEventListener("submit", (event) => { event.preventDefault(); give(); });
  form.querySelector("[data-do=undo]").addEventListener("click", undo);
  form.querySelector("[data-do=download]").addEventListener("click", download);
  wanted.addEventListener("input", () => { offer(); keep(); });
  addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  window.namesFile = csv;
  const [back, lost] = recall();
  show();
  if (lost) say(`Names from before are back: ${back}. Left out, since this page has their points no more: ${lost}.`, true);
  else if (back) say(`Names from before are back: ${back}.`);
})();
