"use strict";
/* Draws the figures a page carries as data, and lets the selects choose among what is already on the page. */

const template = JSON.parse(document.getElementById("figure-template").textContent);

function draw(plot) {
  if (plot.dataset.drawn) return;
  plot.dataset.drawn = "yes";
  const { data, layout } = JSON.parse(plot.querySelector("script").textContent);
  Plotly.newPlot(plot, data, { ...layout, template, autosize: true }, { displayModeBar: false, responsive: true })
    .then(() => isolateLine(plot));
}

function drawVisible() {
  for (const plot of document.querySelectorAll(".plot")) {
    if (!plot.closest("[hidden]")) draw(plot);
  }
}

function chosen() {
  const wanted = {};
  for (const select of document.querySelectorAll("form.filters select")) wanted[select.name] = select.value;
  return wanted;
}

/* One figure of each kind is shown: the first whose keys are what the selects say; a page may lack a select. */
function showChoices(wanted) {
  for (const choices of document.querySelectorAll(".choices")) {
    const names = choices.dataset.names.split(" ");
    let found = false;
    for (const choice of choices.querySelectorAll(":scope > .choice")) {
      const fits = !found && names.every((name) => !(name in wanted) || choice.getAttribute(`data-${name}`) === wanted[name]);
      choice.hidden = !fits;
      found ||= fits;
    }
    const none = choices.querySelector(":scope > .no-choice");
    if (none) none.hidden = found;
  }
}

/* Rows stay where every select either says "all" or says what the row says; a key a row lacks does not hide it. */
function fits(row, form) {
  return [...form.querySelectorAll("select")].every((select) => {
    const key = row.getAttribute(`data-${select.name}`);
    return !select.value || key === null || key === select.value;
  });
}

/* Where nothing is left, the sentence behind it stands in its place. */
function showOrSay(list, isLeft) {
  list.hidden = !isLeft;
  list.nextElementSibling.hidden = isLeft;
}

function filterRows(form) {
  const name = form.dataset.for;
  if (!name) return;
  let shown = 0, all = 0;
  const count = (row, isShown, size) => { row.hidden = !isShown; all += size; shown += isShown ? size : 0; };
  const groups = document.querySelectorAll(`[data-filtered-group="${name}"]`);
  for (const group of groups) count(group, fits(group, form), group.rows.length - 1);
  for (const body of document.querySelectorAll(`[data-filtered="${name}"]`)) {
    for (const row of body.children) {
      if (groups.length) row.hidden = !fits(row, form);
      else count(row, fits(row, form), 1);
    }
    showOrSay(body.closest(".table-box") ?? body, body.querySelector(":scope > :not([hidden])") !== null);
  }
  const weeks = [...document.querySelectorAll("details.week")];
  for (const week of weeks) week.hidden = !week.querySelector("tbody:not([hidden])");
  const left = weeks.filter((week) => !week.hidden);
  if (left.length === 1) left[0].open = true;
  if (weeks.length) showOrSay(weeks[0].parentElement, left.length > 0);
  for (const place of document.querySelectorAll(`[data-counts="${name}"]`)) place.textContent = `${shown} of ${all} shown.`;
}

/* A repair method or an engine family chosen in the selects is drawn alone in figures that have a line for it. */
function isolateLine(plot) {
  const traces = (plot.data || []).filter((trace) => trace.legendgroup);
  if (!traces.length) return;
  const { repair_method, engine_family } = chosen();
  const alone = [repair_method, engine_family].find((name) => name && traces.some((trace) => trace.legendgroup === name));
  Plotly.restyle(plot, {
    visible: plot.data.map((trace) => !alone || !trace.legendgroup || trace.legendgroup === alone || "legendonly"),
  });
}

function choose() {
  showChoices(chosen());
  document.querySelectorAll("form.filters").forEach(filterRows);
  drawVisible();
  for (const plot of document.querySelectorAll(".plot[data-drawn]")) isolateLine(plot);
}

function element(name, ...contents) {
  const made = document.createElement(name);
  made.append(...contents);
  return made;
}

/* A vehicle's page stays as it is while nothing happens to the vehicle: what passing days change is filled in here. */
function fillIn({ vehicles, ...said }) {
  for (const place of document.querySelectorAll("[data-today]")) place.textContent = said[place.dataset.today];
  document.title += `, as of ${said.as_of}`;
  const { facts, flags } = vehicles[document.body.dataset.page] ?? { facts: [], flags: [] };
  for (const [name, value] of facts) {
    document.getElementById("facts").append(element("div", element("dt", name), element("dd", value)));
  }
  for (const { says, is_urgent } of flags) {
    const flag = element("p", element("strong", is_urgent ? "Look at this first." : "Due for a look."), ` ${says}`);
    flag.className = is_urgent ? "alarm" : "says";
    document.getElementById("flags").append(flag);
  }
  const caution = document.getElementById("urgent");
  if (caution) caution.hidden = !flags.some((flag) => flag.is_urgent);
}

if (typeof today !== "undefined") fillIn(today);

for (const form of document.querySelectorAll("form.filters")) {
  form.addEventListener("change", choose);
  form.addEventListener("submit", (event) => event.preventDefault());
}
for (const plot of document.querySelectorAll(".plot")) plot.style.minHeight = `${plot.dataset.height}px`;
choose();

/* On paper nothing can be opened or scrolled: show what a reader of it needs, and draw to the size of a page. */
const PAPER_WIDTH = 660, PAPER_HEIGHT = 880;
function redraw(size, tallest) {
  for (const plot of document.querySelectorAll(".plot[data-drawn]")) {
    const height = Math.min(plot.dataset.height, tallest);
    plot.style.minHeight = `${height}px`;
    Plotly.relayout(plot, { ...size, height });
  }
}
let folded = [];
window.addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("details:not([open], .on-screen)")];
  for (const more of folded) more.open = true;
  redraw({ width: PAPER_WIDTH }, PAPER_HEIGHT);
});
window.addEventListener("afterprint", () => {
  for (const more of folded) more.open = false;
  redraw({ width: null, autosize: true }, Infinity);
});
