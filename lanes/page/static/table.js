// Every spot as a table, and the remarks in words.

import { plate } from "./api.js";
import { byId, el, renew } from "./dom.js";
import { maskSpot } from "./masks.js";
import { edit, light, on, pick, say, spotNode, store } from "./store.js";

const HEAD = ["Lane", "Spot", "Rf", "Area %", "Rs to next", "S/N", "Substance", "Remarks", ""];

export function startTable() {
  on("state", draw);
  byId("copy").addEventListener("click", copy);
  byId("xlsx").addEventListener("click", workbook);
}

function draw() {
  const { reading, state } = store;
  byId("reading-none").hidden = Boolean(reading);
  byId("table-box").hidden = !reading;
  if (!reading) {
    byId("flags").replaceChildren();
    return;
  }
  byId("law").textContent = `Signal by ${reading.law}, ${reading.channel} channel, `
    + `${{ white: "white light", 254: "254 nm", 366: "366 nm" }[reading.light]}.`;
  byId("doubt").textContent = reading.doubt;
  byId("table-box").classList.toggle("old", !state.fresh);
  renew(byId("spots"), el("caption", { class: "unseen" }, "Spots of every lane"),
    el("thead", {}, el("tr", {}, HEAD.map((text, i) =>
      el("th", { scope: "col", class: i >= 1 && i <= 5 ? "n" : null },
        text || el("span", { class: "unseen" }, "Not a spot"))))),
    reading.lanes.map(group));
  byId("flags").replaceChildren(...remarks(reading));
}

function group(lane, index) {
  if (!lane.spots.length) {
    return el("tbody", {}, el("tr", {}, el("th", { scope: "row" }, lane.name),
      el("td", { colspan: HEAD.length - 1, class: "quiet" }, lane.nothing)));
  }
  return el("tbody", {}, lane.spots.map((spot, number) => row(lane, index, spot, number)));
}

function row(lane, index, spot, number) {
  const pair = lane.pairs.find((each) => each.lower === number);
  const name = el("input", {
    class: "plain", value: spot.substance ?? "", maxlength: 80, "data-key": `name ${index} ${number}`,
    "aria-label": `Substance of lane ${lane.name}, spot ${number + 1}`, placeholder: "name",
    onchange: (event) => edit({ do: "substance", lane: lane.name, rf: spot.rf,
      name: event.target.value }),
  });
  const node = el("tr", {},
    number === 0 ? el("th", { scope: "rowgroup", rowspan: lane.spots.length }, lane.name) : null,
    el("td", { class: "n" }, el("button", {
      class: `number c${number % 6}`, "data-key": `spot ${index} ${number}`,
      "aria-label": `Lane ${lane.name}, spot ${number + 1}: show it`,
      onclick: () => {
        pick(index, number);
        light(`${index}:${number}`);
      },
    }, String(number + 1))),
    el("td", { class: "n" }, spot.rf_text), el("td", { class: "n wrap" }, spot.percent_text),
    el("td", { class: "n" }, pair?.resolution ?? ""),
    el("td", { class: "n" }, spot.signal_to_noise?.toFixed(1) ?? ""),
    el("td", {}, name),
    el("td", {}, spot.flags.map((flag) => el("span", { class: "flag", title: flag.message },
      flag.name))),
    el("td", {}, el("button", {
      class: "light", "aria-label": `Lane ${lane.name}, spot ${number + 1}: not a spot, mask it`,
      title: "Mask this place: it is not a spot", "data-key": `mask-spot ${index} ${number}`,
      onclick: () => maskSpot(index, spot),
    }, "Mask")));
  spotNode(node, index, number);
  return node;
}

// ------------------------------------------------------------------ copying

const COLUMNS = ["Lane", "Role", "Spot", "Rf", "Rf sd", "Area percent", "Area percent sd", "Area",
  "Area sd", "Distance mm", "Width mm", "Symmetry", "S/N", "Substance", "Remarks"];

export function asText(reading) {
  const clean = (value) => (value === null || value === undefined ? ""
    : String(value).replace(/[\t\r\n]+/g, " "));
  const rows = reading.lanes.flatMap((lane) => lane.spots.map((spot, i) => [
    lane.name, lane.role, i + 1, spot.rf, spot.rf_sd, spot.percent, spot.percent_sd, spot.area,
    spot.area_sd, spot.position, spot.width, spot.asymmetry, spot.signal_to_noise, spot.substance,
    spot.flags.map((flag) => flag.name).join(" ")]));
  return [COLUMNS, ...rows].map((cells) => cells.map(clean).join("\t")).join("\n");
}

async function copy() {
  const text = asText(store.reading);
  try {
    await navigator.clipboard.writeText(text);
  } catch {
    const box = el("textarea", { value: text, class: "unseen" });
    document.body.append(box);
    box.select();
    document.execCommand("copy");
    box.remove();
  }
  say("The table is copied: paste it into a spreadsheet.");
}

async function workbook() {
  const response = await fetch(`${plate(store.id)}/spots.xlsx`);
  if (!response.ok) {
    say((await response.json()).error, "error");
    return;
  }
  const address = URL.createObjectURL(await response.blob());
  const stem = store.state.file.replace(/\.[^.]*$/, "");
  el("a", { href: address, download: `${stem}-spots.xlsx` }).click();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}

// ------------------------------------------------------------------ remarks

function remarks(reading) {
  const all = new Map();
  const note = (flag, where) => {
    if (!all.has(flag.name)) all.set(flag.name, []);
    all.get(flag.name).push([where, flag.message]);
  };
  reading.flags.forEach((flag) => note(flag, "whole plate"));
  reading.lanes.forEach((lane) => {
    lane.flags.forEach((flag) => note(flag, `lane ${lane.name}`));
    lane.spots.forEach((spot, i) => spot.flags.forEach((flag) =>
      note(flag, `lane ${lane.name}, spot ${i + 1}`)));
  });
  if (!all.size) return [el("p", { class: "quiet" }, "No remarks.")];
  return [...all].map(([name, places]) => {
    const kind = reading.kinds[name];
    return el("details", { class: "remark" },
      el("summary", {}, el("span", { class: "flag" }, name),
        ` ${kind.meaning} `, el("span", { class: "quiet" }, `(${places.length})`)),
      el("p", {}, el("b", {}, "What to do: "), kind.remedy, "."),
      el("ul", {}, places.map(([where, message]) => el("li", {}, `${where}: ${message}`))));
  });
}
