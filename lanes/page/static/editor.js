// The lanes as buttons, and the chosen lane's own entries; the choices of light, law and channel.

import { byId, el, labelled, renew } from "./dom.js";
import { chooseLane, edit, on, store } from "./store.js";

const CHOICES = {
  light: ["Light", [["auto", "from the picture"], ["white", "white"], ["254", "254 nm"],
    ["366", "366 nm"]]],
  law: ["Law", [["auto", "by the light"], ["kubelka-munk", "Kubelka-Munk"],
    ["optical-density", "optical density"], ["emission", "emission"]]],
  channel: ["Channel", [["auto", "best contrast"], ["red", "red"], ["green", "green"],
    ["blue", "blue"], ["mean", "mean"], ["luminance", "luminance"]]],
  spots: ["Spots", [["auto", "from the picture"], ["dark", "darker than the layer"],
    ["light", "lighter than the layer"]]],
  turn: ["Turn", [["auto", "as its pencil says"], ["0", "as it is"], ["90", "90° left"], ["180", "upside down"],
    ["270", "90° right"]]],
  background: ["Background", [["layer", "clean layer"], ["asymmetric", "asymmetric"],
    ["snip", "SNIP"], ["polynomial", "polynomial"], ["none", "none"]]],
};
const NUMBERS = { which_plate: "Plate in the picture", page: "Page of the file", plate_width: "Plate width, mm", plate_height: "Plate height, mm", dpi: "Dots per inch",
  components: "Spots per lane" };

export function startEditor() {
  on("state", draw);
  on("lane", draw);
}

function draw() {
  if (!store.state) return;
  drawChoices();
  drawLanes();
  drawPlaces();
}

function drawChoices() {
  const { settings } = store.state;
  const choice = (key) => {
    const [title, options] = CHOICES[key];
    const now = String(settings[key]);
    const known = options.some(([value]) => value === now) ? options : [[now, now], ...options];
    return labelled(title, el("select", {
      "data-key": `choice ${key}`,
      onchange: (event) => edit({ do: "choose", key,
        value: key === "turn" && event.target.value !== "auto" ? Number(event.target.value)
          : event.target.value }),
    }, known.map(([value, text]) => el("option", { value, selected: value === now }, text))));
  };
  renew(byId("choices"), ["light", "law", "channel"].map(choice));
  renew(byId("more-choices"), ["spots", "turn", "background"].map(choice),
    Object.entries(NUMBERS).map(([key, title]) => labelled(title, el("input", {
      type: "number", min: 0, step: "any", value: settings[key] ?? "", "data-key": `choice ${key}`,
      onchange: (event) => edit({ do: "choose", key,
        value: event.target.value === "" ? null : Number(event.target.value) }),
    }))));
}

function drawLanes() {
  const lanes = store.state.layout?.lanes ?? [];
  const hand = new Set(store.state.by_hand);
  renew(byId("lane-tabs"), lanes.map((lane, index) => el("button", {
    class: "tab", "aria-pressed": String(index === store.lane), "data-key": `tab ${index}`,
    onclick: () => chooseLane(index),
  }, lane.name, hand.has(`lane ${lane.name}`) ? el("span", { class: "by" }, " ◆",
    el("span", { class: "unseen" }, " set by hand")) : null)));
  const lane = lanes[store.lane];
  byId("lane-editor").hidden = !lane;
  if (!lane) return;
  const note = store.state.settings.lane[lane.name] ?? {};
  const unit = store.state.layout.scaled ? "mm" : "px";
  const place = (title, key) => labelled(`${title}, ${unit}`, el("input", {
    type: "number", step: 0.1, value: lane[key].toFixed(2), "data-key": `place ${key}`,
    onchange: (event) => edit({ do: "lane", lane: store.lane, [key]: Number(event.target.value) }),
  }));
  const said = (title, key, kind) => labelled(title, el("input", {
    type: kind, step: "any", min: 0, value: (key === "name" ? lane.name : note[key] ?? lane[key]) ?? "",
    maxlength: 40, "data-key": `note ${key}`,
    onchange: (event) => edit({ do: "note", lane: store.lane, key, value: event.target.value }),
  }));
  renew(byId("lane-editor"), el("legend", {}, `Lane ${lane.name}`),
    said("Name", "name", "text"), said("Role", "role", "text"), said("Time", "time", "number"),
    said("Amount", "amount", "number"),
    place("At the origin", "x"), place("At the front", "x_front"), place("Width", "width"),
    el("button", { class: "light", "data-key": "remove lane",
      onclick: () => edit({ do: "remove-lane", lane: store.lane }) }, "Remove this lane"));
}

// Who placed what: found by the program, or set by the person.
function drawPlaces() {
  const { layout, by_hand: words, settings } = store.state;
  const hand = new Set(words);
  const lanesByHand = words.some((word) => word.startsWith("lane"));
  const rows = [["corners", "Corners", "plate"], ["origin", "Origin", "origin"],
    ["front", "Front", "front"], ["lanes", "Lanes", "lanes"]];
  renew(byId("places"), rows.map(([what, title, key]) => {
    const mine = what === "lanes" ? lanesByHand : hand.has(what);
    const sure = layout?.found[key];
    let text = "not found";
    if (mine) text = what === "lanes" ? handLanes(words) : "set by hand";
    else if (sure !== undefined) text = `found, confidence ${sure.toFixed(2)}`;
    else if (what === "corners" && layout) text = "the picture's own edges";
    else if (settings[what] !== null && settings[what] !== undefined) text = "given";
    return el("li", { class: mine ? "hand" : "found" },
      el("span", { class: "sign", "aria-hidden": "true" }, mine ? "◆" : "◇"),
      el("span", {}, el("b", {}, title), ` ${text}`),
      mine ? el("button", { class: "light", "data-key": `release ${what}`,
        "aria-label": `${title}: look for it again`,
        onclick: () => edit({ do: "release", what }) }, "Find again") : null);
  }));
}

function handLanes(words) {
  const names = words.filter((word) => word.startsWith("lane ")).map((word) => word.slice(5));
  return names.length ? `${names.join(", ")} set by hand` : "set by hand";
}
