// A line over pictures with an axis of time, where the playing is. `clocks`: shares of the picture and the seconds there.
function playhead(model, figure, image, signal) {
  const lines = model.get("clocks").map((clock) => {
    const line = make("i", "gl-playhead");
    line.hidden = true;
    line.setAttribute("aria-hidden", "true");
    figure.append(line);
    return { clock, line };
  });
  const move = ({ detail: { desk, time_s } }) => {
    if (!desk || !desk.contains(figure)) return;
    for (const { clock: { left, right, top, bottom, from_s, to_s }, line } of lines) {
      line.hidden = time_s === null || time_s < from_s || time_s > to_s;
      const share = left + ((right - left) * (time_s - from_s)) / (to_s - from_s);
      line.style.left = `${image.offsetLeft + share * image.offsetWidth}px`;
      line.style.top = `${image.offsetTop + top * image.offsetHeight}px`;
      line.style.height = `${(bottom - top) * image.offsetHeight}px`;
    }
  };
  if (lines.length) document.addEventListener("gainlib-at", move, { signal });
}
