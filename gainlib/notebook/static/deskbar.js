// The line over a desk: tabs for the pictures, Undo and Back to start; where that is a lot to lose, it asks.
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
  model.get("again").forEach(([text, hint, what]) => {
    const button = make("button", "gl-again", text);
    button.title = hint;
    button.onclick = () => model.send({ do: what });
    root.append(button);
  });
  const [undo, reset] = [["Undo", "undo"], ["Back to start", "reset"]].map(([text, what]) => {
    const button = make("button", `gl-${what}`, text);
    button.onclick = () => model.send({ do: what });
    root.append(button);
    return button;
  });
  const question = make("span", "gl-asks", model.get("asks"));
  const [yes, no] = [["Yes, back to start", "gl-yes"], ["No", "gl-no"]].map(([text, name]) => make("button", name, text));
  const ask = (on) => {
    [question, yes, no].forEach((part) => (part.hidden = !on));
    [...tabs, undo, reset].forEach((part) => (part.hidden = on)); // one line has room for one of them
    (on ? no : reset).focus();
  };
  if (model.get("asks")) {
    question.setAttribute("role", "alert");
    root.append(question, yes, no);
    [question, yes, no].forEach((part) => (part.hidden = true));
    reset.onclick = () => ask(true);
    no.onclick = () => ask(false);
    yes.onclick = () => {
      ask(false);
      model.send({ do: "reset" });
    };
  }
  function paint() {
    tabs.forEach((tab, k) => tab.setAttribute("aria-pressed", String(k === model.get("chosen"))));
    undo.disabled = !model.get("can_undo");
  }
  model.on("change:chosen change:can_undo", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
