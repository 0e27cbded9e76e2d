// Meters that move with the sound: a row for every strip, every group and the bus, as gainlib.meters would read them.
const LOWEST_DBFS = -60;
const HIGHEST_DBFS = 12;
const HELD_MS = 1500;
const NUMBERS_MS = 250; // nobody reads faster
const METER_WORDS = "\u2588 RMS over 0.3 s, \u2503 highest sample, held 1.5 s, \u25C6 needle; from \u221260 to +12 dBFS";

class MeterRows {
  constructor(model) {
    this.model = model;
    this.root = make("div", "gl-meters");
    this.root.setAttribute("aria-hidden", "true"); // the table says the same, when it is asked for
    this.root.title = METER_WORDS;
    this.rows = model.get("channels").map(({ name }) => this.row(this.root, name));
    this.numbers = make("details", "gl-numbers");
    this.table = make("div");
    const again = make("button", "", "Read again");
    again.onclick = () => this.fill();
    this.numbers.append(make("summary", "", "Meters in numbers"), again, this.table);
    this.numbers.addEventListener("toggle", () => this.numbers.open && this.fill());
    this.whole = [];
  }
  row(rows, name) {
    const row = make("div", "gl-meter");
    const label = make("span", "gl-meter-name", name.replace(/^\d+ /, ""));
    const scale = make("span", "gl-meter-scale");
    const [rms, full, peak, needle] = ["rms", "full", "peak", "needle"].map((part) => make("i", `gl-meter-${part}`));
    full.style.left = `${100 * this.share(0)}%`;
    scale.append(rms, full, peak, needle);
    const number = make("span", "gl-meter-number");
    row.append(label, scale, number);
    rows.append(row);
    return { row, rms, peak, needle, number, now: [0, 0, 0], held: 0, since: 0, told: 0 };
  }
  share = (db) => Math.min(Math.max((db - LOWEST_DBFS) / (HIGHEST_DBFS - LOWEST_DBFS), 0), 1);
  open(context, inputs) {
    this.node = workletNode(context, "gainlib-meters", inputs.length, this.model.get("ballistics"));
    inputs.forEach((input, k) => input.connect(this.node, 0, k));
    this.node.connect(context.destination); // silent, but so it is kept running
    this.node.port.onmessage = ({ data }) => this.take(data);
  }
  begin() {
    this.node?.port.postMessage("begin");
  }
  take({ now, whole, at }) {
    Object.assign(this, { whole, at });
    this.rows.forEach((row, k) => (row.now = [Math.max(row.now[0], now[3 * k]), now[3 * k + 1], now[3 * k + 2]]));
  }
  draw(time) {
    for (const row of this.rows) {
      const [peak, rms, place] = row.now;
      row.now[0] = 0;
      if (peak >= row.held || time - row.since > HELD_MS) [row.held, row.since] = [peak, time];
      row.rms.style.transform = `scaleX(${this.share(20 * Math.log10(rms * Math.SQRT2))})`;
      row.peak.style.left = `${100 * this.share(20 * Math.log10(row.held))}%`;
      row.needle.style.left = `${100 * this.share(20 * Math.log10((place * Math.PI) / 2))}%`;
      if (time - row.told > NUMBERS_MS) {
        row.told = time;
        row.number.textContent = row.held > 0 ? numberText(20 * Math.log10(row.held), 1, true) : "silent";
        row.row.dataset.over = String(row.held > 1);
      }
    }
  }
  levels() {
    const db = (x) => 20 * Math.log10(x);
    const { alignment_dbfs: zero } = this.model.get("ballistics");
    return this.whole.map(({ peak, rms, needle }) => [db(peak), db(rms * Math.SQRT2), db((needle * Math.PI) / 2) - zero]);
  }
  fill() {
    const rows = this.levels().map((found, k) => [this.model.get("channels")[k].name, ...found.map((db) => numberText(db, 1, true))]);
    const columns = ["", "sample peak (dBFS)", "RMS (dBFS)", "needle, highest (VU)"];
    fillTable(this.table, { caption: "Since Play was pressed", columns, rows });
  }
}
