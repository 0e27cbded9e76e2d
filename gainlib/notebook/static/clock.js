// A clock in a corner of the page. Seconds are for the eye; a screen reader hears of it at some of the last minutes.
const SPOKEN_MIN = [30, 10, 5, 1];

function render({ model, el, signal }) {
  const root = make("div", "gl gl-clock");
  const face = make("span");
  const spoken = make("span", "gl-unseen");
  face.setAttribute("role", "timer");
  face.setAttribute("aria-live", "off");
  spoken.setAttribute("aria-live", "polite");
  root.append(face, spoken);
  el.append(root);
  let [end, said] = [0, 0];

  const tick = () => {
    const left = Math.max(0, Math.ceil((end - Date.now()) / 1000));
    const [hours, minutes, seconds] = [Math.floor(left / 3600), Math.floor(left / 60) % 60, left % 60];
    const two = (number) => String(number).padStart(2, "0");
    face.textContent = `${model.get("text")} ${hours ? `${hours}:` : ""}${two(minutes)}:${two(seconds)}`;
    const now = SPOKEN_MIN.filter((minute) => left <= 60 * minute).at(-1);
    if (now && now !== said) {
      said = now;
      spoken.textContent = `${model.get("text")} ${now} min`;
    }
    if (!left) {
      stop();
      model.send({ over: true });
    }
  };
  let timer = 0;
  const stop = () => clearInterval(timer);
  const start = () => {
    stop();
    root.hidden = !model.get("left_s");
    if (root.hidden) return;
    said = 0;
    end = Date.now() + 1000 * model.get("left_s");
    timer = setInterval(tick, 500);
    tick();
  };
  model.on("change:left_s", start);
  signal.addEventListener("abort", stop);
  start();
}
export default { render };
