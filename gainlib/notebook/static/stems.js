// Files that somebody picks, sent to Python slice by slice: one message holds 10 MB at most, and a stem is longer.
const SLICE = 2 ** 20;
function render({ model, el, signal }) {
  const root = make("div", "gl gl-upload");
  const label = make("label");
  const input = make("input");
  const said = make("span", "gl-say");
  said.setAttribute("role", "status");
  input.type = "file";
  input.multiple = true;
  input.accept = model.get("accept");
  label.append(make("span", "", model.get("text")), " ", input);
  root.append(label, " ", said);
  ownKeys(root);
  el.append(root);

  let answered = null;
  model.on("msg:custom", (message) => answered?.(message));
  const ask = (content, buffers) => new Promise((resolve) => {
    answered = resolve;
    model.send(content, undefined, buffers);
  });
  const sendFile = async (file, where) => {
    let at = 0;
    do {
      const slice = file.slice(at, at + SLICE);
      const reply = await ask({ name: file.name, size: file.size, at }, [await slice.arrayBuffer()]);
      if (reply.refused) return;
      at += slice.size;
      const share = file.size ? Math.round((100 * at) / file.size) : 100;
      said.textContent = `${where}: ${file.name}, ${share} %`;
    } while (at < file.size);
  };
  input.onchange = async () => {
    const files = [...input.files];
    if (!files.length) return;
    await ask({ begin: files.length }, []);
    for (const [k, file] of files.entries()) await sendFile(file, `${k + 1} of ${files.length}`);
    said.textContent = "";
    input.value = ""; // the same files may be picked again
    await ask({ end: true }, []);
  };
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
