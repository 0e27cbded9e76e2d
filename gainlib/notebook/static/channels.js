// A line for each channel; what is entered goes to Python as text, and what Python shows comes back as text.
const THESE = "\u0000"; // the line for all that are ticked; no strip has that name

function render({ model, el, signal }) {
  const columns = Object.entries(model.get("columns"));
  const root = make("div", "gl gl-channels");
  ownKeys(root);
  const list = make("datalist");
  list.id = `gl-groups-${Math.random().toString(36).slice(2)}`;
  const table = make("table");
  const caption = make("caption");
  const head = make("thead");
  const body = make("tbody");
  table.append(caption, head, body);
  const scroller = make("div", "gl-channels-scroll");
  scroller.append(table);
  root.append(scroller, list);
  el.append(root);

  const rows = () => model.get("rows");
  const ticked = () => model.get("ticked");
  const lines = new Map(); // by name: what is on the page for a channel
  let active = THESE;
  let lastTick = null;

  function tick(names, on) {
    const now = ticked().filter((name) => !names.includes(name));
    model.set("ticked", on ? rows().map((row) => row.name).filter((name) => names.includes(name) || now.includes(name)) : now);
    model.save_changes();
    paint();
  }
  const tickable = () => rows().filter((row) => row.kind !== "master").map((row) => row.name);

  // ---- the head, and the line for all that are ticked ---------------------------------------------------------------
  const titles = make("tr");
  const all = make("input");
  all.type = "checkbox";
  all.setAttribute("aria-label", "tick all");
  all.onchange = () => tick(tickable(), all.checked);
  const corner = make("th");
  corner.append(all);
  titles.append(corner);
  for (const text of ["strip or group", "order", ...columns.map(([, title]) => title)]) {
    const cell = make("th", "", text);
    cell.scope = "col";
    titles.append(cell);
  }
  head.append(titles);
  const these = line(THESE, "these");
  head.append(these.node);

  // ---- one line -----------------------------------------------------------------------------------------------------
  function line(name, kind) {
    const node = make("tr", `gl-line-${kind}`);
    const called = name === THESE ? "all ticked" : name;
    const made = { node, cells: {}, controls: [] };
    const put = (control, tag = "td") => {
      const cell = make(tag);
      if (control) {
        cell.append(control);
        if (control.matches("button, input")) made.controls.push(control);
      }
      node.append(cell);
      return cell;
    };
    if (kind === "strip" || kind === "group") {
      made.tick = make("input");
      made.tick.type = "checkbox";
      made.tick.setAttribute("aria-label", `tick ${name}`);
      made.tick.onclick = (event) => {
        const order = tickable();
        const [from, to] = [order.indexOf(lastTick), order.indexOf(name)].sort((a, b) => a - b);
        const range = event.shiftKey && from >= 0 ? order.slice(from, to + 1) : [name];
        lastTick = name;
        tick(range, made.tick.checked);
      };
    }
    put(made.tick);
    made.label = make("span", "gl-line-name", name === THESE ? "" : name);
    made.label.title = name === THESE ? "" : name;
    put(made.label, "th").scope = "row";
    const order = put(null);
    if (made.tick) {
      for (const [what, sign, text] of [["up", "\u2191", "earlier"], ["down", "\u2193", "later"]]) {
        const button = make("button", "", sign);
        button.setAttribute("aria-label", `${name} ${text}`);
        button.title = text;
        button.onclick = () => model.send({ do: what, name });
        order.append(button);
        made.controls.push(button);
      }
    }
    if (kind === "group") {
      const button = make("button", "", "\u00d7");
      button.setAttribute("aria-label", `remove the group ${name}`);
      button.title = "remove the group";
      button.onclick = () => model.send({ do: "remove", name });
      order.append(button);
      made.controls.push(button);
    }
    const targets = () => (name === THESE ? ticked() : [name]);
    const enter = (field, value) => model.send({ row: name, names: targets(), field, value });
    for (const [field, title] of columns) {
      if (field === "chain") {
        const button = make("button", "gl-chain");
        button.onclick = () => (name === THESE ? enter("chain", model.get("current")) : model.send({ do: "open", name }));
        made.cells.chain = button;
        put(button);
        continue;
      }
      const input = make("input");
      input.setAttribute("aria-label", `${called}: ${title}`);
      made.cells[field] = input;
      if (field === "dc_block") {
        input.type = "checkbox";
        input.onchange = () => enter(field, input.checked);
      } else {
        input.type = "text";
        if (field === "to") input.setAttribute("list", list.id);
        const commit = () => {
          if ([input.dataset.shown, input.dataset.sent].includes(input.value)) return;
          input.dataset.sent = input.value; // until the answer comes: Enter and leaving the field are one entry
          enter(field, input.value);
        };
        input.addEventListener("input", () => (input.dataset.typing = "true"));
        input.addEventListener("change", commit);
        input.addEventListener("keydown", (event) => {
          if (event.key === "Enter") commit(); // JupyterLab keeps the browser from taking it for a change
          if (event.key !== "Escape") return;
          settle(input);
          paint();
        });
      }
      put(input);
    }
    node.addEventListener("focusin", () => activate(name));
    node.addEventListener("keydown", (event) => {
      const step = { ArrowUp: -1, ArrowDown: 1 }[event.key];
      if (!step || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      const order = [these, ...rows().map((row) => lines.get(row.name))].filter((each) => !each.node.hidden);
      const column = event.target.closest("td").cellIndex;
      const at = [...event.target.closest("td").querySelectorAll("button, input")].indexOf(event.target);
      for (let k = order.indexOf(made) + step; order[k]; k += step) {
        const found = [...order[k].node.cells[column].querySelectorAll("button, input")].filter((each) => !each.disabled);
        if (!found.length || getComputedStyle(found[0]).visibility === "hidden") continue;
        const goal = found[at] || found[0];
        goal.focus();
        if (goal.type === "text") goal.select(); // as Tab does it: what is typed takes the place of what is there
        return;
      }
    });
    return made;
  }
  const settle = (input) => {
    delete input.dataset.typing;
    input.removeAttribute("aria-invalid");
  };

  // Tab goes along one line only: of a table of twenty lines nobody wants two hundred stops
  function activate(name) {
    active = name;
    for (const [each, one] of [[THESE, these], ...lines])
      for (const control of one.controls) control.tabIndex = each === active ? 0 : -1;
  }

  function show(one, field, value) {
    const cell = one.cells[field];
    const none = value === null || value === undefined;
    cell.style.visibility = none ? "hidden" : "";
    if (none) return;
    if (field === "chain") {
      cell.textContent = value;
      cell.title = value;
    } else if (field === "dc_block") {
      cell.checked = value === true;
      cell.indeterminate = value === "several";
    } else {
      cell.dataset.shown = value;
      if (!cell.dataset.typing) cell.value = value;
    }
  }

  function paint() {
    const now = rows();
    const on = ticked();
    const held = document.activeElement;
    caption.textContent = `Channels: ${now.filter((row) => row.kind === "strip").length} strips, ${now.filter((row) => row.kind === "group").length} groups`;
    list.replaceChildren(...["bus", ...now.filter((row) => row.kind === "group").map((row) => row.name)].map((name) => {
      const option = make("option");
      option.value = name;
      return option;
    }));
    const gone = [...lines.keys()].filter((name) => !now.some((row) => row.name === name));
    const left = gone.some((name) => lines.get(name).node.contains(held));
    for (const name of gone) {
      lines.get(name).node.remove();
      lines.delete(name);
    }
    now.forEach((row, place) => {
      if (!lines.has(row.name)) lines.set(row.name, line(row.name, row.kind));
      const one = lines.get(row.name);
      if (body.children[place] !== one.node) body.insertBefore(one.node, body.children[place] || null);
      if (one.tick) one.tick.checked = on.includes(row.name);
      one.node.dataset.current = String(row.name === model.get("current"));
      for (const [field] of columns) show(one, field, row[field]);
      if (row.chain !== null) one.cells.chain.setAttribute("aria-label", `chain of ${row.name}: ${row.chain}`);
      one.cells.chain.setAttribute("aria-pressed", String(row.name === model.get("current")));
    });
    paintThese(now.filter((row) => on.includes(row.name)));
    const every = tickable();
    all.checked = every.length > 0 && on.length === every.length;
    all.indeterminate = on.length > 0 && !all.checked;
    if (!lines.has(active)) active = these.node.hidden ? (now[0] || {}).name : THESE;
    activate(active);
    const back = left ? (lines.get(active) || these).controls[0] : held;
    if (root.isConnected && back !== document.activeElement && (left || root.contains(back))) back.focus();
  }

  function paintThese(chosen) {
    these.node.hidden = chosen.length === 0;
    these.label.textContent = `apply to these ${chosen.length}`;
    for (const [field] of columns) {
      const values = new Set(chosen.map((row) => row[field]).filter((value) => value !== null));
      const same = values.size === 1 ? [...values][0] : null;
      const cell = these.cells[field];
      if (field === "chain") show(these, field, model.get("current") ? `the chain of ${model.get("current")}` : null);
      else if (!values.size) show(these, field, null);
      else if (field === "dc_block") show(these, field, same === null ? "several" : same);
      else {
        show(these, field, same === null ? "" : same);
        cell.placeholder = same === null ? "several" : "";
      }
    }
  }

  model.on("msg:custom", ({ row, field, done }) => {
    const one = row === THESE ? these : lines.get(row);
    const cell = one && one.cells[field];
    if (!cell || cell.type !== "text") return paint();
    delete cell.dataset.sent;
    if (done) settle(cell);
    else cell.setAttribute("aria-invalid", "true");
    paint();
  });
  model.on("change:rows change:ticked change:current", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
