// A chart is read off by pointer or arrow keys, looked at closer by dragging or + and -, and kept as a picture; tables open for
// print. What an axis is stands in data-x and data-y: [low, high, "even" or "ratio", spelling, labels of its own].
"use strict";
const tip = document.getElementById("tip");
const SVG = "http://www.w3.org/2000/svg";

/** Three digits, and no more than there are. */
function digits(value) {
  if (value === 0) return "0";
  const size = Math.floor(Math.log10(Math.abs(value)));
  return Number(value.toPrecision(3)).toLocaleString("en-US", { maximumFractionDigits: Math.max(0, 2 - size), useGrouping: true });
}
const spellings = {
  number: digits,
  "per-second": (value) => digits(value) + "/s",
  percent: (value) => digits(value * 100) + " %",
  duration: (us) => {
    const [unit, size] = [["s", 1e6], ["ms", 1e3], ["us", 1]].find(([, size]) => Math.abs(us) >= size) || ["ns", 1e-3];
    return digits(us / size) + " " + unit;
  },
};

class Axis {
  constructor([low, high, scale, spelling, named]) {
    Object.assign(this, { low, high, ratio: scale === "ratio", spell: spellings[spelling], named });
  }
  share(value) {
    return this.ratio ? Math.log(value / this.low) / Math.log(this.high / this.low) : (value - this.low) / (this.high - this.low);
  }
  at(share) {
    return this.ratio ? this.low * (this.high / this.low) ** share : this.low + (this.high - this.low) * share;
  }
  /** Labels between two shares, as the page was drawn with. */
  ticks(from, to) {
    const [low, high] = [this.at(from), this.at(to)];
    const within = (value) => value >= low && value <= high;
    if (this.named.length) return this.named.filter(([value]) => within(value));
    const found = [];
    if (this.ratio && high / low > 10) {
      const [first, last] = [Math.floor(Math.log10(low)), Math.ceil(Math.log10(high))];
      for (let power = first; power <= last; power += 1)
        for (const times of last - first > 4 ? [1] : [1, 2, 5]) found.push(times * 10 ** power);
    } else {
      const rough = (high - low) / 8, power = 10 ** Math.floor(Math.log10(rough));
      const step = [1, 2, 5, 10].find((times) => times * power >= rough) * power;
      for (let n = Math.ceil(low / step); n * step <= high && found.length < 20; n += 1) found.push(n * step);
    }
    return found.filter(within).map((value) => [value, this.spell(value)]);
  }
}

class Chart {
  constructor(svg) {
    this.svg = svg;
    this.plot = svg.querySelector("svg.plot");
    this.whole = svg.closest("figure").querySelector("button[data-whole]");
    this.marks = Array.from(svg.querySelectorAll("[data-words]"), (element) => {
      const [x, y] = element.dataset.at.split(" ").map(Number);
      return { x, y, words: () => element.dataset.words };
    });
    this.cursor = svg.appendChild(document.createElementNS(SVG, "circle"));
    this.cursor.setAttribute("class", "cursor");
    this.cursor.setAttribute("r", 10);
    if (this.plot) {
      this.box = Object.fromEntries(["x", "y", "width", "height"].map((name) => [name, Number(this.plot.getAttribute(name))]));
      this.all = { x: 0, y: 0, width: this.plot.viewBox.baseVal.width, height: this.plot.viewBox.baseVal.height };
      this.axes(...[this.plot.dataset.x, this.plot.dataset.y].map((data) => new Axis(JSON.parse(data))));
      this.view = { ...this.all };
      const hint = document.createElement("span");
      hint.className = "quiet";
      hint.textContent = "Drag over it, or + and −, to look closer; arrow keys read points off.";
      this.whole.after(hint);
    }
    this.listen();
  }
  axes(x, y) { this.x = x; this.y = y; }
  /** Where a mark is, in the chart's units; nothing if it is out of view. */
  place({ x, y }) {
    if (!this.plot) return [x, y];
    const [right, down] = [(x - this.view.x) / this.view.width, (y - this.view.y) / this.view.height];
    const is_seen = right > -0.001 && right < 1.001 && down > -0.001 && down < 1.001;
    return is_seen ? [this.box.x + right * this.box.width, this.box.y + down * this.box.height] : null;
  }
  show(mark) {
    const at = mark && this.place(mark);
    this.on = at ? mark : null;
    this.cursor.classList.toggle("on", Boolean(at));
    tip.hidden = !at;
    if (!at) return;
    this.cursor.setAttribute("cx", at[0]);
    this.cursor.setAttribute("cy", at[1]);
    tip.textContent = mark.words();
    const box = this.svg.getBoundingClientRect(), scale = box.width / this.svg.viewBox.baseVal.width;
    const [left, top] = [box.left + at[0] * scale, box.top + at[1] * scale];
    tip.style.left = Math.min(left + 14, Math.max(4, window.innerWidth - tip.offsetWidth - 4)) + "px";
    tip.style.top = Math.max(4, top - tip.offsetHeight - 12) + "px";
  }
  units(event) {
    const box = this.svg.getBoundingClientRect(), scale = this.svg.viewBox.baseVal.width / box.width;
    return [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
  }
  nearest([x, y]) {
    let found = null, least = 40 * 40;
    for (const mark of this.marks) {
      const at = this.place(mark);
      const far = at ? (at[0] - x) ** 2 + (at[1] - y) ** 2 : Infinity;
      if (far < least) { least = far; found = mark; }
    }
    return found;
  }
  /** Shows what lies between two places of the plot, given as shares of what is seen. */
  closer(left, top, right, bottom) {
    const { x, y, width, height } = this.view;
    const view = { x: x + left * width, y: y + top * height, width: (right - left) * width, height: (bottom - top) * height };
    view.width = Math.min(Math.max(view.width, this.all.width / 500), this.all.width);
    view.height = Math.min(Math.max(view.height, this.all.height / 500), this.all.height);
    view.x = Math.min(Math.max(view.x, 0), this.all.width - view.width);
    view.y = Math.min(Math.max(view.y, 0), this.all.height - view.height);
    this.view = view;
    this.draw();
  }
  draw() {
    const { view, all, box } = this, [across, down] = [view.width / all.width, view.height / all.height];
    this.plot.setAttribute("viewBox", `${view.x} ${view.y} ${view.width} ${view.height}`);
    const fine = all.width / box.width;
    for (const dot of this.plot.querySelectorAll(".dot"))
      dot.setAttribute("transform", `translate(${dot.dataset.at}) scale(${fine * across} ${fine * down})`);
    for (const words of this.svg.querySelectorAll(".rules text")) {
      const at = (Number(words.dataset.at) - view.x) / view.width;
      words.setAttribute("x", box.x + at * box.width);
      words.toggleAttribute("hidden", at < 0 || at > 1);
    }
    const ticks = this.svg.querySelector(".ticks"), made = [];
    const add = (name, words, attributes) => {
      const one = document.createElementNS(SVG, name);
      for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
      if (words) one.textContent = words; else one.setAttribute("class", "grid");
      made.push(one);
    };
    const [from, to] = [view.x / all.width, (view.x + view.width) / all.width];
    for (const [value, words] of this.x.ticks(from, to)) {
      const at = box.x + ((this.x.share(value) - from) / (to - from)) * box.width;
      add("path", "", { fill: "none", d: `M${at} ${box.y}v${box.height}` });
      add("text", words, { x: at, y: box.y + box.height + 19, "text-anchor": "middle", fill: "currentColor" });
    }
    const [low, high] = [1 - (view.y + view.height) / all.height, 1 - view.y / all.height];
    for (const [value, words] of this.y.ticks(low, high)) {
      const at = box.y + box.height - ((this.y.share(value) - low) / (high - low)) * box.height;
      add("path", "", { fill: "none", d: `M${box.x} ${at}h${box.width}` });
      add("text", words, { x: box.x - 8, y: at + 5, "text-anchor": "end", fill: "currentColor" });
    }
    ticks.replaceChildren(...made);
    this.show(null);
    this.whole.hidden = view.width === all.width && view.height === all.height;
  }
  listen() {
    const { svg } = this;
    let began = null, band = null;
    const share = ([x, y]) => [(x - this.box.x) / this.box.width, (y - this.box.y) / this.box.height]
      .map((part) => Math.min(Math.max(part, 0), 1));
    svg.addEventListener("pointermove", (event) => {
      const at = this.units(event);
      if (!began) { this.show(this.nearest(at)); return; }
      const width = Math.abs(at[0] - began[0]), height = Math.abs(at[1] - began[1]);
      for (const [name, value] of Object.entries({ x: Math.min(at[0], began[0]), y: Math.min(at[1], began[1]), width, height }))
        band.setAttribute(name, value);
    });
    svg.addEventListener("pointerleave", () => this.show(null));
    svg.addEventListener("blur", () => this.show(null));
    // A finger scrolls the page; dragging is for pointers that hover.
    svg.addEventListener("pointerdown", (event) => {
      if (!this.plot || event.pointerType === "touch" || event.button !== 0) return;
      event.preventDefault();
      svg.focus();
      svg.setPointerCapture(event.pointerId);
      began = this.units(event);
      band = svg.appendChild(document.createElementNS(SVG, "rect"));
      band.setAttribute("class", "band");
    });
    svg.addEventListener("pointerup", (event) => {
      if (!began) return;
      const [a, b] = [share(began), share(this.units(event))];
      band.remove();
      began = null;
      const [left, right, top, bottom] = [Math.min(a[0], b[0]), Math.max(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[1], b[1])];
      if (right - left > 0.02 && bottom - top > 0.02) this.closer(left, top, right, bottom);
      else this.pick(this.nearest(this.units(event)));
    });
    svg.addEventListener("pointercancel", () => { if (began) band.remove(); began = null; });
    svg.addEventListener("dblclick", () => this.back());
    svg.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key], scale = { "+": 0.5, "=": 0.5, "-": 2 }[event.key];
      if (event.key === "Escape") this.show(null);
      if (event.key === "0") this.back();
      if (event.key === "Enter" && this.on) this.pick(this.on);
      if (scale && this.plot) {
        const [x, y] = this.on ? [(this.on.x - this.view.x) / this.view.width, (this.on.y - this.view.y) / this.view.height] : [0.5, 0.5];
        const held = this.on;
        this.closer(x - scale * x, y - scale * y, x + scale * (1 - x), y + scale * (1 - y));
        this.show(held);
      }
      const seen = step ? this.marks.filter((mark) => this.place(mark)) : [];
      if (seen.length === 0) return;
      event.preventDefault();
      const at = seen.indexOf(this.on);
      this.show(seen[at < 0 ? (step > 0 ? 0 : seen.length - 1) : (at + step + seen.length) % seen.length]);
    });
    if (this.plot) this.whole.addEventListener("click", () => this.back());
  }
  back() { if (this.plot) { this.view = { ...this.all }; this.draw(); } }
  /** A point was chosen: for scripts that make something of it. */
  pick() {}
}

const charts = new Map(Array.from(document.querySelectorAll("svg.chart"), (svg) => [svg, new Chart(svg)]));

for (const button of document.querySelectorAll("button[data-picture]")) {
  button.addEventListener("click", () => {
    const chart = button.closest("figure").querySelector("svg");
    const copy = chart.cloneNode(true), times = 2;
    const [width, height] = [chart.viewBox.baseVal.width * times, chart.viewBox.baseVal.height * times];
    // A picture has no style sheet: what the page makes of each part goes with it.
    const [parts, copies] = [chart, copy].map((svg) => [svg, ...svg.querySelectorAll("*")]);
    parts.forEach((part, nth) => {
      const style = getComputedStyle(part);
      for (const name of ["fill", "stroke", "stroke-width", "stroke-linecap", "vector-effect", "opacity", "color", "display", "font-family", "font-size"])
        copies[nth].setAttribute(name, style.getPropertyValue(name));
      if (style.vectorEffect === "non-scaling-stroke") copies[nth].setAttribute("stroke-width", parseFloat(style.strokeWidth) * times);
    });
    copy.setAttribute("xmlns", SVG);
    copy.setAttribute("width", width);
    copy.setAttribute("height", height);
    for (const unseen of copy.querySelectorAll(".cursor, .band")) unseen.remove();
    const image = new Image();
    image.onload = () => {
      const canvas = document.createElement("canvas");
      canvas.width = width; canvas.height = height + 30 * times;
      const pen = canvas.getContext("2d");
      pen.fillStyle = getComputedStyle(document.body).backgroundColor;
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.drawImage(image, 0, 0);
      // A picture travels without its page: it says itself what it is.
      pen.fillStyle = getComputedStyle(chart).color;
      pen.font = `${13 * times}px sans-serif`;
      pen.fillText(document.title + " · estimates from a model", 8 * times, height + 18 * times, width - 16 * times);
      const link = document.createElement("a");
      link.download = button.dataset.picture + ".png";
      link.href = canvas.toDataURL("image/png");
      link.click();
    };
    image.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(new XMLSerializer().serializeToString(copy));
  });
}
window.addEventListener("beforeprint", () => { for (const d of document.querySelectorAll("details")) d.open = true; });
