// Points of a sweep: axes and filters are chosen, points drawn anew, and the scenario of one shown to be copied.
"use strict";
{
  const data = JSON.parse(document.getElementById("sweep-data").textContent);
  const section = document.getElementById("sweep"), by = (id) => document.getElementById(id);
  const svg = section.querySelector("svg.chart"), chart = svg && charts.get(svg);
  const GROUPS = ["alone", "beaten", "perhaps", "front"];
  const points = data.points.map(([number, group, round, sets, figures]) => ({
    number, group, round, sets, figures: figures.map((one) => (Array.isArray(one) ? one : one === null ? [null] : [one])),
  }));
  const text = (tag, words, ...more) => {
    const element = document.createElement(tag);
    element.append(words, ...more);
    return element;
  };
  const spelt = (figure, point) => {
    const spell = spellings[data.spellings[figure]], [value, low, high] = point.figures[figure];
    if (value === null) return "–";
    return spell(value) + (low === undefined ? "" : ` (${spell(low)} to ${spell(high)})`);
  };

  function passes(filters, point) {
    if (filters.front && (point.group === "beaten" || point.group === "alone")) return false;
    return filters.keys.every(([key, allowed]) => allowed.has(point.sets[key]))
      && filters.figures.every(([figure, low, high]) => {
        const value = point.figures[figure][0];
        return value !== null && value >= low && value <= high;
      });
  }
  function filters() {
    const keys = Array.from(section.querySelectorAll("fieldset[data-key]"), (set) => {
      const key = Number(set.dataset.key), boxes = Array.from(set.querySelectorAll("input"));
      const allowed = new Set(boxes.filter((box) => box.checked).map((box) => data.values[key].indexOf(box.value)));
      return [key, allowed, boxes.every((box) => box.checked)];
    }).filter(([, , all]) => !all);
    const figures = Array.from(section.querySelectorAll("fieldset[data-figure]"), (set) => {
      const [low, high] = Array.from(set.querySelectorAll("input"), (input) => (input.value === "" ? NaN : Number(input.value)));
      return [Number(set.dataset.figure), Number.isNaN(low) ? -Infinity : low, Number.isNaN(high) ? Infinity : high];
    }).filter(([, low, high]) => low > -Infinity || high < Infinity);
    return { keys, figures, front: Boolean(by("only-front") && by("only-front").checked) };
  }

  /** Draws these points as strokes without length, group by group. */
  function strokes(paths, chosen, place) {
    const found = Object.fromEntries(GROUPS.map((group) => [group, []]));
    for (const point of chosen) {
      const at = place(point);
      if (at) found[point.group].push(`M${at[0]} ${at[1]}h0`);
    }
    for (const group of GROUPS) paths.querySelector(".dots." + group).setAttribute("d", found[group].join(""));
  }
  function placing(plot, across, up, x, y) {
    const { width, height } = plot.viewBox.baseVal;
    return (point) => {
      const [a, b] = [point.figures[across][0], point.figures[up][0]];
      return a === null || b === null ? null : [Math.round(x.share(a) * width), Math.round((1 - y.share(b)) * height)];
    };
  }

  function draw() {
    const now = filters(), across = Number(by("across").value), up = Number(by("up").value);
    const chosen = points.filter((point) => passes(now, point));
    const [x, y] = [across, up].map((figure) => new Axis(data.axes[figure]));
    chart.back();
    chart.axes(x, y);
    svg.querySelector("text.across").textContent = data.figures[across];
    svg.querySelector("text.up").textContent = data.figures[up];
    const place = placing(chart.plot, across, up, x, y);
    strokes(chart.plot, chosen, place);
    chart.marks = chosen.map((point) => ({ point, at: place(point) })).filter(({ at }) => at)
      .map(({ point, at }) => ({ x: at[0], y: at[1], point, words: () =>
        `point ${point.number}: ${data.figures[across]} ${spelt(across, point)}; ${data.figures[up]} ${spelt(up, point)}` }))
      .sort((a, b) => a.x - b.x);
    chart.draw();
    by("counted").textContent = `${chosen.length.toLocaleString("en-US")} of ${points.length.toLocaleString("en-US")} points`;
    by("all-points").hidden = chosen.length === points.length;
    if (by("panels")) drawPanels(chosen, across, up, x, y);
  }
  function drawPanels(chosen, across, up, x, y) {
    const key = Number(by("panel-key").value), grid = by("panels").querySelector(".panels");
    const model = grid.querySelector("svg.panel");
    const order = Array.from(section.querySelectorAll(`fieldset[data-key="${key}"] input`), (box) => box.value);
    const panels = order.map((value) => {
      const panel = model.cloneNode(true), number = data.values[key].indexOf(value), words = value.replace(/^"|"$/g, "");
      panel.querySelector("text").textContent = words.length > 26 ? words.slice(0, 25) + "…" : words;
      panel.setAttribute("aria-label", words);
      const plot = panel.querySelector("svg");
      strokes(plot, chosen.filter((point) => point.sets[key] === number), placing(plot, across, up, x, y));
      return panel;
    });
    grid.replaceChildren(...panels);
  }

  /** A point's scenario: the base with its values in the slots. */
  function scenarioOf(point) {
    const { pieces, keys, texts } = data.scenario;
    return keys.reduce((whole, key, nth) => {
      const value = data.values[key][point.sets[key]];
      return whole + (texts.includes(value) ? JSON.stringify(value) : value) + pieces[nth + 1];
    }, pieces[0]);
  }
  function copying(area, name) {
    const button = text("button", name);
    button.type = "button";
    button.addEventListener("click", async () => {
      area.select();
      // Where there is no clipboard the text is selected, to be copied by hand.
      try { await navigator.clipboard.writeText(area.value); button.textContent = "Copied"; } catch { button.textContent = "Selected"; }
      setTimeout(() => { button.textContent = name; }, 2000);
    });
    return button;
  }
  function area(words, rows, label) {
    const found = text("textarea", words);
    found.readOnly = true;
    found.rows = rows;
    found.setAttribute("aria-label", label);
    return found;
  }
  function choose(point) {
    const row = (name, value) => text("tr", Object.assign(text("th", name), { scope: "row" }), text("td", value));
    const sets = data.keys.map((key, nth) => [key, data.values[nth][point.sets[nth]]]);
    const table = (rows) => text("table", text("tbody", ...rows.map(([name, value]) => row(name, value))));
    const figures = data.figures.map((name, nth) => [name, spelt(nth, point)]);
    const stands = { front: "nothing beats it", perhaps: "another may beat it: intervals leave it open", beaten: "another beats it" };
    const quote = (value) => "'" + value.replaceAll("'", "'\\''") + "'";
    const command = area(sets.map(([key, value]) => `--set ${quote(`${key}=${value}`)}`).join(" "), 2, "Changes as options");
    const parts = [text("h3", `Point ${point.number}`)];
    if (stands[point.group]) parts.push(text("p", stands[point.group] + (point.round ? `; asked shortly, in round ${point.round} of a budget` : "")));
    const tables = text("div", table(sets), table(figures));
    tables.className = "pair";
    parts.push(tables);
    if (data.scenario) {
      const scenario = area(scenarioOf(point), 10, "Scenario of the point");
      parts.push(text("p", "Its scenario, to be kept beside the sweep's base: ", copying(scenario, "Copy the scenario")), scenario);
    }
    parts.push(text("p", "Or the base with these options: ", copying(command, "Copy the options")), command);
    by("chosen").replaceChildren(...parts);
  }

  if (chart) {
    by("choices").hidden = false;
    chart.pick = (mark) => { if (mark) choose(mark.point); };
    by("choices").addEventListener("input", draw);
    if (by("panel-key")) by("panel-key").addEventListener("input", draw);
    by("all-points").addEventListener("click", () => {
      for (const input of by("choices").querySelectorAll("fieldset input")) {
        if (input.type === "checkbox") input.checked = true; else input.value = "";
      }
      if (by("only-front")) by("only-front").checked = false;
      draw();
    });
    draw();
  }
}
