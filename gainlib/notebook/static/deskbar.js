// The line over a desk: tabs for the pictures, Undo and Back to start; it asks before anything goes.
function render({ model, el, signal }) {
  const root = make("div", "gl gl-deskbar");
  root.setAttribute("role", "group");
  root.setAttribute("aria-label", model.get("label"));
  ownKeys(root);
  el.append(root);
  const names = model.get("tabs");
  const tabs = names.length < 2 ? [] : names.map((name, k) => {
    const button = make("button", "gl-tab", name);
    button.onclick = () => {
      model.set("chosen", k);
      model.save_changes();
    };
    root.append(button);
    return button;
  });
  root.append(make("span", "gl-gap"));
  const again = model.get("again").map(([text, hint, what, asks]) => {
    const button = make("button", "gl-again", text);
    button.title = hint;
    button.onclick = () => (asks && model.get("moved") ? ask(asks, text, what, button) : model.send({ do: what }));
    root.append(button);
    return button;
  });
  const [undo, reset] = [["Undo", "undo"], ["Back to start", "reset"]].map(([text, what]) => {
    const button = make("button", `gl-${what}`, text);
    button.onclick = () => model.send({ do: what });
    root.append(button);
    return button;
  });
  const question = make("span", "gl-asks");
  question.setAttribute("role", "alert");
  const [yes, no] = ["gl-yes", "gl-no"].map((name) => make("button", name, "No"));
  root.append(question, yes, no);
  const asking = (on) => {
    [question, yes, no].forEach((part) => (part.hidden = !on));
    [...tabs, ...again, undo, reset].forEach((part) => (part.hidden = on)); // one line has room for one of them
  };
  const ask = (text, label, what, from) => {
    question.textContent = text;
    yes.textContent = `Yes, ${label.charAt(0).toLowerCase()}${label.slice(1)}`;
    const answered = (sure) => {
      asking(false);
      from.focus();
      if (sure) model.send({ do: what });
    };
    [yes.onclick, no.onclick] = [() => answered(true), () => answered(false)];
    asking(true);
    no.focus();
  };
  asking(false);
  if (model.get("asks")) reset.onclick = () => ask(model.get("asks"), "Back to start", "reset", reset);
  function paint() {
    tabs.forEach((tab, k) => tab.setAttribute("aria-pressed", String(k === model.get("chosen"))));
    undo.disabled = !model.get("can_undo");
  }
  model.on("change:chosen change:can_undo", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
