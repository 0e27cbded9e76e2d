// A line over pictures with an axis of time, where the playing is. `clocks`: shares of the picture and the seconds there.
function playhead(model, image, signal) {
  const lines = model.get("clocks").map((clock) => {
    const line = make("i", "gl-playhead");
    Object.assign(line.style, { top: `${100 * clock.top}%`, height: `${100 * (clock.bottom - clock.top)}%` });
    line.hidden = true;
    image.append(line);
    return { clock, line };
  });
  const move = ({ detail: { desk, time_s } }) => {
    if (!desk?.contains(image)) return;
    for (const { clock: { left, right, from_s, to_s }, line } of lines) {
      line.hidden = time_s === null || time_s < from_s || time_s > to_s;
      if (!line.hidden) line.style.left = `${100 * (left + ((right - left) * (time_s - from_s)) / (to_s - from_s))}%`;
    }
  };
  if (lines.length) document.addEventListener("gainlib-at", move, { signal });
}
