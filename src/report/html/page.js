// Points of a chart are read off by pointer or by the arrow keys; a chart can be kept as a picture; tables open for print.
"use strict";
const tip = document.getElementById("tip");
let on = null;
function show(mark, x, y) {
  if (on) on.classList.remove("on");
  on = mark;
  if (!mark) { tip.hidden = true; return; }
  mark.classList.add("on");
  tip.textContent = mark.dataset.words;
  tip.hidden = false;
  const right = Math.max(4, window.innerWidth - tip.offsetWidth - 4);
  tip.style.left = Math.min(x + 14, right) + "px";
  tip.style.top = Math.max(4, y - tip.offsetHeight - 10) + "px";
}
for (const chart of document.querySelectorAll("svg.chart")) {
  const marks = Array.from(chart.querySelectorAll(".mark"));
  const places = marks.map((m) => [Number(m.getAttribute("cx")), Number(m.getAttribute("cy"))]);
  chart.addEventListener("pointermove", (event) => {
    const box = chart.getBoundingClientRect();
    const scale = chart.viewBox.baseVal.width / box.width;
    const [x, y] = [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
    let best = -1, least = 40 * 40;
    places.forEach(([a, b], n) => {
      const far = (a - x) * (a - x) + (b - y) * (b - y);
      if (far < least) { least = far; best = n; }
    });
    show(marks[best] || null, event.clientX, event.clientY);
  });
  chart.addEventListener("pointerleave", () => show(null));
  chart.addEventListener("blur", () => show(null));
  chart.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (event.key === "Escape") show(null);
    if (!step || marks.length === 0) return;
    event.preventDefault();
    const next = (marks.indexOf(on) + step + marks.length) % marks.length;
    const box = marks[next].getBoundingClientRect();
    show(marks[next], box.left + box.width / 2, box.top);
  });
}
for (const button of document.querySelectorAll("button[data-picture]")) {
  button.addEventListener("click", () => {
    const chart = button.closest("figure").querySelector("svg");
    const copy = chart.cloneNode(true);
    const style = getComputedStyle(chart);
    const [width, height] = [chart.viewBox.baseVal.width * 2, chart.viewBox.baseVal.height * 2];
    copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
    copy.setAttribute("width", width);
    copy.setAttribute("height", height);
    copy.setAttribute("color", style.color);
    for (const mark of copy.querySelectorAll(".mark")) mark.remove();
    for (const line of copy.querySelectorAll(".grid")) line.setAttribute("stroke", "#999999");
    const image = new Image();
    image.onload = () => {
      const canvas = document.createElement("canvas");
      canvas.width = width; canvas.height = height;
      const pen = canvas.getContext("2d");
      pen.fillStyle = getComputedStyle(document.body).backgroundColor;
      pen.fillRect(0, 0, width, height);
      pen.drawImage(image, 0, 0);
      const link = document.createElement("a");
      link.download = button.dataset.picture + ".png";
      link.href = canvas.toDataURL("image/png");
      link.click();
    };
    image.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(new XMLSerializer().serializeToString(copy));
  });
}
window.addEventListener("beforeprint", () => { for (const d of document.querySelectorAll("details")) d.open = true; });
