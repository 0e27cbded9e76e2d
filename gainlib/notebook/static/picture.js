const UNITS = 16; // places are whole numbers, so many to a pixel of the page
const LETTER = 64; // the size that outlines of letters are in
const FEW = 24; // a box has so few corners that it is laid on whole pixels of the screen

// Colours are those of the plots. Where the page has other colours for ink and paper, what is pale or without hue lies as
// far between the two as it does between black and white.
function toner(node) {
  const { color, backgroundColor } = getComputedStyle(node);
  const parts = (text) => text.match(/[\d.]+/g).slice(0, 3).map(Number);
  const lightness = (rgb) => (Math.max(...rgb) + Math.min(...rgb)) / 510;
  const [ink, paper] = [parts(color), parts(backgroundColor)];
  const usual = lightness(ink) < 0.15 && lightness(paper) === 1;
  const tone = (hex) => {
    const rgb = [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
    const light = lightness(rgb);
    if (usual || (light < 0.85 && Math.max(...rgb) - Math.min(...rgb) > 40)) return hex;
    const share = Math.max(0, (light - 0.1) / 0.9);
    const mixed = ink.map((value, k) => value + (paper[k] - value) * share + rgb[k] - 255 * light);
    return `rgb(${mixed.map(Math.round).join(" ")} / ${hex.length > 7 ? parseInt(hex.slice(7), 16) / 255 : 1})`;
  };
  tone.hatches = new Map();
  tone.halo = usual ? "" : backgroundColor; // light letters may stand on a bar of a light colour
  return tone;
}

// Draws marks of any plot on a canvas: outlines, rows of signs, and words.
function drawMarks(canvas, { marks = [], places }, letters, scale, tone) {
  const pen = canvas.getContext("2d");
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, canvas.width, canvas.height);
  const at = places ? new Int16Array(places.buffer.slice(places.byteOffset, places.byteOffset + places.byteLength)) : [];
  const size = scale / UNITS;
  let k = 0;

  function outline(runs, width, way = new Path2D()) {
    for (const run of runs) {
      const count = Math.abs(run);
      let square = count <= FEW && count > 1;
      for (let i = 1; square && i < count; i++)
        square = at[k + 2 * i] === at[k + 2 * i - 2] || at[k + 2 * i + 1] === at[k + 2 * i - 1];
      const off = square ? (Math.max(1, Math.round(width)) % 2) / 2 : 0;
      const on = square ? (value) => Math.round(value * size - off) + off : (value) => value * size;
      way.moveTo(on(at[k]), on(at[k + 1]));
      for (let i = 1; i < count; i++) way.lineTo(on(at[k + 2 * i]), on(at[k + 2 * i + 1]));
      if (run < 0) way.closePath();
      k += 2 * count;
    }
    return way;
  }
  function inked({ fill, hatch, line, dashes = [] }, width) {
    const styles = [fill && tone(fill), hatch && hatched(pen, hatch, scale, tone)].filter(Boolean);
    pen.lineWidth = width;
    pen.setLineDash(dashes.map((part) => part * scale));
    if (line) pen.strokeStyle = tone(line);
    return (way) => {
      for (const style of styles) {
        pen.fillStyle = style;
        pen.fill(way);
      }
      if (line) pen.stroke(way);
    };
  }
  function write({ text, at: [x, y], size: high, fill, angle = 0 }) {
    pen.fillStyle = tone(fill);
    pen.translate(x * scale, angle ? y * scale : Math.round(y * scale));
    pen.rotate((-angle * Math.PI) / 180);
    pen.scale((high * scale) / LETTER, (-high * scale) / LETTER);
    for (const letter of text) {
      const [way, width] = letters(letter);
      if (tone.halo) {
        pen.strokeStyle = tone.halo;
        pen.lineWidth = LETTER / 4;
        pen.stroke(way);
      }
      pen.fill(way);
      pen.translate(width, 0);
    }
  }

  for (const mark of marks) {
    pen.save();
    if (mark.clip) {
      pen.beginPath();
      pen.rect(...mark.clip.map((value) => value * scale));
      pen.clip();
    }
    pen.lineJoin = "round";
    const exact = (mark.width ?? 0) * scale;
    const width = mark.dashes || mark.sign ? exact : exact < 1.5 ? Math.max(1, Math.round(exact)) : exact;
    if (mark.text !== undefined) write(mark);
    else if (mark.sign) {
      const [sign, ink] = [outline(mark.sign, 0), inked(mark, width)];
      for (const last = k + 2 * mark.runs[0]; k < last; k += 2) {
        pen.setTransform(1, 0, 0, 1, at[k] * size, at[k + 1] * size);
        ink(sign);
      }
    } else inked(mark, width)(outline(mark.runs, width));
    pen.restore();
  }
}

// A hatch as matplotlib counts it: six lines, or rows of dots, for every sign on a tile of 100 pixels.
function hatched(pen, [signs, colour], scale, tone) {
  const key = [signs, colour, scale].join();
  if (tone.hatches.has(key)) return tone.hatches.get(key);
  const step = Math.max(3, Math.round((100 / (6 * signs.length)) * scale));
  const tile = Object.assign(make("canvas"), { width: step, height: step });
  const brush = tile.getContext("2d");
  brush.strokeStyle = brush.fillStyle = tone(colour);
  brush.lineWidth = Math.max(1, scale);
  brush.beginPath();
  if (signs[0] === ".") brush.arc(step / 2, step / 2, Math.max(0.7, 0.1 * step), 0, 7);
  else
    for (const shift of [-step, 0, step]) {
      const up = signs[0] === "/";
      brush.moveTo(shift - 1, up ? step + 1 : -1);
      brush.lineTo(shift + step + 1, up ? -1 : step + 1);
    }
  signs[0] === "." ? brush.fill() : brush.stroke();
  tone.hatches.set(key, pen.createPattern(tile, "repeat"));
  return tone.hatches.get(key);
}

function render({ model, el, signal }) {
  const root = make("figure", "gl gl-picture");
  // What stays and what moves lie over each other. Whatever is laid over a picture goes into `image` behind them.
  const image = make("div", "gl-image");
  image.setAttribute("role", "img");
  const [ground, moving] = ["gl-ground", "gl-moving"].map((name) => make("canvas", name));
  image.append(ground, moving);
  playhead(model, image, signal);
  const sentence = make("figcaption", "gl-sentence");
  const details = make("details", "gl-numbers");
  const holder = make("div");
  details.append(make("summary", "", "The same in numbers"), holder);
  const compact = model.get("compact");
  if (compact) details.append(sentence);
  root.append(image, ...(compact ? [details] : [sentence, details]));
  details.firstChild.textContent = compact ? "The same in words and numbers" : "The same in numbers";
  ownKeys(root);
  el.append(root);

  const ways = new Map();
  const letters = (letter) => {
    if (!ways.has(letter)) {
      const [outline, width] = model.get("letters")[letter] ?? ["", 0];
      ways.set(letter, [new Path2D(outline), width]);
    }
    return ways.get(letter);
  };
  let tone = null;
  const due = new Set();
  const soon = (canvas) => {
    if (!due.size) requestAnimationFrame(paint);
    due.add(canvas);
  };
  // Several pictures may come between two frames of the screen; only the last one is drawn.
  const paint = () => {
    tone ??= toner(root);
    const wide = Math.round(image.clientWidth * devicePixelRatio);
    const scale = wide / model.get("width_px");
    if (wide && ground.width !== wide)
      for (const canvas of [ground, moving]) {
        canvas.width = wide;
        canvas.height = Math.round(model.get("height_px") * scale);
        due.add(canvas);
      }
    if (wide && due.has(ground)) drawMarks(ground, model.get("ground"), letters, scale, tone);
    if (wide && due.has(moving)) {
      drawMarks(moving, model.get("moving"), letters, scale, tone);
      image.dataset.drawn = Number(image.dataset.drawn ?? 0) + 1;
    }
    due.clear();
  };
  const anew = () => {
    tone = null;
    [ground, moving].forEach(soon);
  };
  const size = () => {
    image.style.setProperty("--gl-wide", `${model.get("width_px")}px`);
    image.style.aspectRatio = `${model.get("width_px")} / ${model.get("height_px")}`;
    anew();
  };
  const words = () => {
    image.setAttribute("aria-label", model.get("alt"));
    sentence.textContent = model.get("sentence");
    sentence.hidden = !model.get("sentence");
  };
  const numbers = () => {
    holder.replaceChildren();
    for (const table of model.get("tables")) {
      const one = make("div");
      fillTable(one, table);
      holder.append(one);
    }
    details.hidden = !compact && !holder.childElementCount;
  };
  model.on("change:letters", () => ways.clear());
  model.on("change:ground", () => soon(ground));
  model.on("change:moving", () => soon(moving));
  model.on("change:width_px change:height_px", size);
  model.on("change:alt change:sentence", words);
  model.on("change:tables", numbers);
  for (const query of ["(prefers-color-scheme: dark)", "(forced-colors: active)"])
    matchMedia(query).addEventListener("change", anew, { signal });
  const observer = new ResizeObserver(anew);
  observer.observe(image);
  signal.addEventListener("abort", () => observer.disconnect());
  size();
  words();
  numbers();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
