// Runs the cells of a page one after the other and shows each output in the place kept for it.
(() => {
  const WIDGET = "application/vnd.jupyter.widget-view+json";
  const LONGEST_MS = 60000;
  const UNREACHED =
    "The panels cannot be reached. Is the workbook still running in the window where you started it? Then load this " +
    "page again.";
  const GONE =
    "The Python behind this page has stopped, so nothing here answers any more. Load the page again; what you had " +
    "answered is kept.";
  const NOT_SET_UP = "Not shown, because the page could not be set up: the reason stands at its head.";
  const AWAY = "The page has lost its connection to Python. It is trying again; what you move now may not be answered.";
  // Heights follow from the width, so those of a narrow window are kept apart.
  const KEY = `workbook-heights ${location.pathname} ${Math.round(window.innerWidth / 160)}`;
  const places = [...document.querySelectorAll("[data-code]")];
  const waiting = places.filter((place) => place.querySelector(".wb-wait"));
  const progress = document.getElementById("wb-progress");
  const lost = document.getElementById("wb-lost");
  const shown = new Map(); // what may be renewed, by its display id
  const pause = (ms) => new Promise((later) => setTimeout(later, ms));

  // Voilà's bundle asks for it; formulas are MathML.
  const nothing = () => {};
  window.MathJax = { Hub: { Config: nothing, Configured: nothing, Queue: nothing, Register: { StartupHook: nothing } } };

  function paragraph(text, kind) {
    const node = document.createElement("p");
    node.className = kind;
    node.textContent = text;
    return node;
  }

  function recall() {
    let kept = {};
    try {
      kept = JSON.parse(localStorage.getItem(KEY)) ?? {};
    } catch {} // not kept, or not allowed
    for (const place of waiting) if (kept[place.id] > 0) place.style.minHeight = `${kept[place.id]}px`;
  }
  function remember() {
    const heights = Object.fromEntries(waiting.map((place) => [place.id, place.offsetHeight]));
    try {
      localStorage.setItem(KEY, JSON.stringify(heights));
    } catch {}
  }

  // Where a link into the page leads: kept in sight while places above it are filled, until the reader moves.
  let target = null;
  const aim = () => (target = document.getElementById(decodeURIComponent(location.hash.slice(1))));
  const stay = () => target?.scrollIntoView();
  for (const name of ["wheel", "keydown", "pointerdown", "touchstart"])
    addEventListener(name, () => (target = null), { capture: true, passive: true });
  addEventListener("hashchange", aim);

  function watch(kernel) {
    const say = (text) => (lost.hidden = !(lost.textContent = text));
    let gone = false;
    kernel.statusChanged.connect((_, status) => {
      gone ||= ["dead", "restarting", "autorestarting", "terminating"].includes(status);
      if (gone) say(GONE);
    });
    kernel.connectionStatusChanged.connect((_, status) => say(gone ? GONE : status === "connected" ? "" : AWAY));
  }

  async function reached() {
    for (const end = Date.now() + LONGEST_MS; Date.now() < end; await pause(20))
      if (window.jupyterapp) return window.jupyterapp.widgetManagerPromise.promise;
    throw new Error(UNREACHED);
  }

  async function show(manager, place, { data, transient }) {
    const id = data[WIDGET]?.model_id;
    if (id) {
      for (let k = 0; !manager.has_model(id) && k < 250; k++) await pause(20); // its message is being handled
      const view = await manager.create_view(await manager.get_model(id));
      const widget = view.luminoWidget;
      widget.constructor.attach(widget, place);
      return;
    }
    const node = document.createElement("div");
    if (transient?.display_id) shown.set(transient.display_id, node);
    write(node, data);
    place.append(node);
  }
  function write(node, data) {
    if (data["text/html"]) node.innerHTML = data["text/html"];
    else node.textContent = data["text/plain"];
  }

  function fail(place, { ename, evalue }) {
    const ours = ename === "GainlibError";
    const more = `Something here failed (${ename}: ${evalue}). Load the page again; if it fails again, open it as a ` +
      "notebook (the link is at the top) and run all cells: there you see where.";
    place.append(paragraph(ours ? evalue : more, "wb-failure"));
  }

  // Runs a cell to its end; what it shows may still be under way then, so that the next cell need not wait for it.
  async function run(manager, place) {
    const outputs = [];
    const code = place.dataset.code;
    const future = manager.kernel.requestExecute({ code, store_history: false, stop_on_error: false });
    future.onIOPub = ({ header, content }) => {
      if (header.msg_type === "error") fail(place, content);
      if (header.msg_type === "display_data" || header.msg_type === "execute_result") outputs.push(content);
    };
    await future.done;
    return outputs;
  }
  async function fill(manager, place, outputs) {
    try {
      for (const output of outputs) await show(manager, place, output);
    } catch (error) {
      fail(place, { ename: error.name, evalue: error.message });
    }
    place.querySelector(".wb-wait")?.remove();
    count();
    stay();
  }
  function count() {
    const left = waiting.filter((place) => place.querySelector(".wb-wait"));
    const words = `Getting the panel ready … (${waiting.length - left.length + 1} of ${waiting.length})`;
    progress.textContent = left.length ? words : "";
    if (left.length) left[0].querySelector(".wb-wait").textContent = words;
  }

  // What has a script of its own shows a little later than it stands in the page.
  async function come() {
    const end = Date.now() + LONGEST_MS;
    do await pause(20);
    while (document.querySelector("main [data-coming]") && Date.now() < end);
  }

  async function all() {
    count();
    const manager = await reached();
    watch(manager.kernel);
    manager.kernel.iopubMessage.connect((_, { header, content }) => {
      const node = header.msg_type === "update_display_data" && shown.get(content.transient?.display_id);
      if (node) write(node, content.data);
    });
    const filled = [];
    for (const place of places) {
      filled.push(fill(manager, place, await run(manager, place)));
      if (place.querySelector(".wb-failure") && !waiting.includes(place)) {
        // Without what is set up at the head there is nothing that the places below could call.
        for (const { lastElementChild } of waiting) lastElementChild.replaceWith(paragraph(NOT_SET_UP, "wb-failure"));
        break;
      }
    }
    await Promise.all(filled);
    await come();
    count();
    for (const place of places) place.style.minHeight = "";
    remember();
    addEventListener("pagehide", remember); // by then there may be feedback below an answer
    stay();
    document.body.dataset.state = "ready";
  }

  // Voilà ends the kernel of a page that is left, but not before it has started itself.
  function left() {
    if (window.jupyterapp) return;
    const { baseUrl, kernelId } = JSON.parse(document.getElementById("jupyter-config-data").textContent);
    const form = new FormData();
    form.append("_xsrf", document.cookie.match(/\b_xsrf=([^;]*)/)?.[1] ?? "");
    navigator.sendBeacon(`${baseUrl}voila/api/shutdown/${kernelId}`, form);
  }

  recall();
  aim();
  stay();
  addEventListener("pagehide", left);
  // A page taken from the browser's memory has lost its kernel.
  addEventListener("pageshow", (event) => event.persisted && location.reload());
  addEventListener("load", () => all().catch((error) => (progress.textContent = error.message)));
})();
