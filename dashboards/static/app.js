"use strict";
// Draws the charts from the JSON beside them, keeps panels of one day on one stretch of time, and renews what lives.

const finePointer = window.matchMedia("(pointer: fine)");
const plots = new Map(); // group name -> its plots, for zooming together

// Local time of each minute of the page's panels of time, one list for all of them.
const clockElement = document.getElementById("clock");
const clock = clockElement ? JSON.parse(clockElement.textContent) : [];

// An unseen line above all others, whose label under the pointer is the local time.
function clockLine(first) {
  return {
    x0: first.x0, dx: first.dx, y: clock.map(() => 0), text: clock, yaxis: "y9", mode: "lines",
    line: { width: 0, color: "rgba(0,0,0,0)" }, name: "", hovertemplate: "%{text}<extra></extra>",
  };
}

function addClock(data, layout) {
  const first = data.find((trace) => trace.dx !== undefined);
  if (first && clock.length) {
    layout.yaxis9 = { overlaying: "y", visible: false, fixedrange: true, range: [-1, 1] };
    data.unshift(clockLine(first));
  }
}

function draw(plot) {
  const { data, layout } = JSON.parse(plot.nextElementSibling.textContent);
  const group = plot.dataset.time;
  if (group && finePointer.matches) {
    layout.dragmode = "zoom";
  }
  addClock(data, layout);
  const options = { displayModeBar: false, responsive: true, showTips: false, doubleClick: "reset" };
  return Plotly.newPlot(plot, data, layout, options).then(() => {
    plot.dataset.drawn = "yes";
    if (group) {
      plots.set(group, [...(plots.get(group) || []), plot]);
      plot.on("plotly_relayout", (change) => follow(plot, group, change));
    }
  });
}

// A zoom in one panel is a zoom in all panels of its day.
let isFollowing = false;
function follow(source, group, change) {
  const touched = Object.keys(change).some((key) => key.startsWith("xaxis."));
  if (isFollowing || !touched) {
    return;
  }
  isFollowing = true;
  const range = source.layout.xaxis.range.slice();
  const others = plots.get(group).filter((plot) => plot !== source);
  Promise.all(others.map((plot) => Plotly.relayout(plot, { "xaxis.range": range }))).finally(() => {
    isFollowing = false;
  });
}

// Charts below the fold are drawn when they come near: the words are there at once. Each has its room from the start,
// so that nothing moves away from under the reader.
function drawWhenNear(all) {
  all.forEach((plot) => { plot.style.minHeight = `${plot.dataset.height}px`; });
  const watcher = new IntersectionObserver((seen) => {
    for (const one of seen.filter((s) => s.isIntersecting)) {
      watcher.unobserve(one.target);
      draw(one.target);
    }
  }, { rootMargin: "600px" });
  all.forEach((plot) => watcher.observe(plot));
}

// A page with charts is a hundred times the work of one without.
const RENEW_MS = document.querySelector(".plot") ? 60000 : 15000;

async function renew() {
  const busy = document.activeElement && document.activeElement.closest("[data-live]");
  if (document.hidden || busy) {
    return;
  }
  const answer = await fetch(window.location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) {
    return;
  }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const old of document.querySelectorAll("[data-live]")) {
    const open = new Set([...old.querySelectorAll("details[open][id]")].map((d) => d.id));
    const renewed = fresh.getElementById(old.id);
    if (renewed) {
      renewed.querySelectorAll("details[id]").forEach((d) => { d.open = open.has(d.id); });
      old.replaceWith(renewed);
    }
  }
}

// A figure's amounts are worked out when somebody asks.
async function fill(details) {
  const answer = await fetch(details.dataset.from, { headers: { Accept: "text/html" } });
  if (answer.ok) {
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("amounts");
    fresh.removeAttribute("id");
    details.append(fresh);
    delete details.dataset.from;
  }
}

document.addEventListener("toggle", (event) => {
  if (event.target.open && event.target.dataset.from) {
    fill(event.target).catch(() => {});
  }
}, true);

if (document.querySelector(".plot")) {
  const all = document.querySelectorAll(".plot");
  drawWhenNear(all);
  window.addEventListener("beforeprint", () => all.forEach((plot) => plot.dataset.drawn || draw(plot)));
}
if (document.querySelector("[data-live]")) {
  window.setInterval(() => renew().catch(() => {}), RENEW_MS);
}
