// Shared by every widget of the workbook; each widget's own file follows it in the same module.

function make(tag, className = "", text = "") {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text) node.textContent = text;
  return node;
}

// JupyterLab listens for shortcuts at the document before anything here hears a key. It looks for the mark from the
// focused element upwards and stops at the first one that a shortcut names, which may be the focused element itself (the
// arrows that fold a heading do that), so each control has to bear the mark.
const KEYS_MARK = "data-lm-suppress-shortcuts";
function ownKeys(root) {
  root.setAttribute(KEYS_MARK, "true");
  root.addEventListener("focusin", (event) => event.target.setAttribute(KEYS_MARK, "true"));
}

// Python's −inf travels as the string "-inf": JSON has no infinity.
const fromWire = (value) => (value === "-inf" ? -Infinity : Number(value));
const toWire = (value) => (value === -Infinity ? "-inf" : value);

// What a hand moves goes to Python at once, and goes on doing so while answers are far away: the widgets' own way waits
// for each answer before it says the next. Python tells which move it is done with; where more are under way than fill the
// way there and back, something is slow, and the newest is kept back here. It always follows.
const MOST_AWAY = 16;
const APART_MS = 25;
const LOST_MS = 3000;
function moving(model, name) {
  const sent = new Map(); // when each move that is under way went out, by its number
  const mine = new Map(); // what was moved since none was, by its place in the list
  let [number, last, held, timer, soonest] = [0, -Infinity, null, 0, Infinity];
  function go() {
    clearTimeout(timer);
    const now = performance.now();
    if (now - last > LOST_MS) sent.clear();
    if (!held || sent.size >= Math.min(MOST_AWAY, 1 + soonest / APART_MS)) return;
    if (now < last + APART_MS) return void (timer = setTimeout(go, last + APART_MS - now));
    number += 1;
    last = now;
    sent.set(number, now);
    model.send({ do: "move", number, values: held });
    held = null;
  }
  function answered({ moved }) {
    if (!sent.has(moved)) return;
    soonest = Math.min(performance.now() - sent.get(moved), soonest + 0.1); // the way may have grown longer
    sent.delete(moved);
    if (!sent.size && !held) mine.clear();
    go();
  }
  // Python may move other controls along; what it says of those under the hand is older than the hand.
  function keepMine() {
    const all = model.get(name).slice();
    const old = [...mine].filter(([row, value]) => all[row] !== value);
    for (const [row, value] of old) all[row] = value;
    if (old.length) model.set(name, all);
  }
  model.on("msg:custom", answered);
  model.on(`change:${name}`, keepMine);
  return {
    to(values) {
      const before = model.get(name);
      values.forEach((value, row) => value !== before[row] && mine.set(row, value));
      held = values;
      go(); // first: what is drawn here costs the message some milliseconds
      model.set(name, values);
    },
    end() {
      clearTimeout(timer);
      held = null; // what is saved at the end of a gesture holds it
      if (!sent.size) mine.clear();
    },
  };
}

function numberText(value, digits = 1, sign = false) {
  if (value === null || value === undefined || Number.isNaN(value)) return "not defined";
  if (value === -Infinity) return "silent";
  const rounded = Number(value.toFixed(digits)) + 0;
  const prefix = rounded < 0 ? "\u2212" : sign && rounded > 0 ? "+" : "";
  return prefix + Math.abs(rounded).toFixed(digits);
}

function levelText(value, unit = "dB", digits = 1) {
  const text = numberText(value, digits, true);
  return value === -Infinity || text === "not defined" ? text : `${text} ${unit}`;
}

function fillTable(host, table) {
  host.replaceChildren();
  if (!table || !table.columns) return;
  const node = make("table", "gl-table");
  node.append(make("caption", "", table.caption));
  const head = make("tr");
  for (const name of table.columns) {
    const cell = make("th", "", name);
    cell.scope = "col";
    head.append(cell);
  }
  const top = make("thead");
  top.append(head);
  const body = make("tbody");
  for (const row of table.rows) {
    const line = make("tr");
    row.forEach((text, column) => {
      const cell = make(column ? "td" : "th", "", text);
      if (!column) cell.scope = "row";
      line.append(cell);
    });
    body.append(line);
  }
  node.append(top, body);
  host.append(node);
}

// Calls changed("gone" | "away" | "here"): gone for good (the kernel was restarted, stopped or died: what this view
// shows has no Python behind it any more), away while the page has lost the kernel, here when it is back.
function watchKernel(model, el, signal, changed) {
  let gone = false;
  const say = (state) => {
    if (gone) return;
    gone = state === "gone";
    changed(state);
  };
  const session = model.widget_manager?.context?.sessionContext;
  if (session) {
    const last = new Set(["restarting", "autorestarting", "terminating", "dead"]);
    const onStatus = (_, status) => last.has(status) && say("gone");
    const onKernel = (_, change) => (change.oldValue || !change.newValue) && say("gone");
    const onConnection = (_, status) => say(status === "connected" ? "here" : "away");
    session.statusChanged.connect(onStatus);
    session.kernelChanged.connect(onKernel);
    session.connectionStatusChanged.connect(onConnection);
    signal.addEventListener("abort", () => {
      session.statusChanged.disconnect(onStatus);
      session.kernelChanged.disconnect(onKernel);
      session.connectionStatusChanged.disconnect(onConnection);
    });
  }
  // hosts other than JupyterLab: the widget manager marks a view whose channel is dead
  const check = () => el.classList.contains("jupyter-widgets-disconnected") && say("gone");
  const observer = new MutationObserver(check);
  observer.observe(el, { attributes: true, attributeFilter: ["class"] });
  signal.addEventListener("abort", () => observer.disconnect());
  check();
}
