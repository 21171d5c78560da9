// Questions asked by clicking spots and lanes, and their answers beside the plate.

import { plate, post } from "./api.js";
import { byId, el, labelled, renew } from "./dom.js";
import { on, refresh, say, store } from "./store.js";

let form = null;      // the question's form
let entries = {};     // what is filled in
let waiting = null;   // the entry that a clicked spot goes into
let shown = null;     // the answer that is shown

export function startQuestions() {
  on("state", answers);
  on("pick", picked);
  on("open", () => {
    form = null;
    shown = null;
    byId("answer-frame").hidden = true;
    draw();
  });
  on("listing", draw);
}

function draw() {
  const forms = store.listing?.forms ?? [];
  renew(byId("question-list"), forms.map((each) => el("button", {
    class: "tab", "aria-pressed": String(each === form), "data-key": `question ${each.question}`,
    onclick: () => begin(each),
  }, each.title)));
  if (!form) {
    byId("question-form").replaceChildren();
    return;
  }
  const lanes = (store.state?.layout?.lanes ?? []).map((lane) => lane.name);
  renew(byId("question-form"), form.fields.map((field) => entry(field, lanes)),
    el("button", { class: "strong", type: "submit", "data-key": "ask" }, "Ask"));
}

function begin(each) {
  form = each;
  entries = {};
  form.fields.forEach((field) => {
    if (field.start) entries[field.key] = field.start;
  });
  waiting = form.fields.find((field) => field.kind.startsWith("spot")) ?? null;
  draw();
}

function entry(field, lanes) {
  const hint = [field.needed ? "" : "may be left open", field.hint].filter(Boolean).join("; ");
  const common = { "data-key": `entry ${field.key}`, "aria-required": field.needed ? "true" : null };
  if (field.kind.startsWith("spot")) return spotEntry(field, hint, common);
  if (field.kind === "lane") {
    return labelled(field.label, el("select", { ...common, onchange: (event) => {
      entries[field.key] = event.target.value;
    } }, el("option", { value: "" }, "—"), lanes.map((name) =>
      el("option", { value: name, selected: entries[field.key] === name }, name))), hint);
  }
  if (field.kind === "lanes") {
    const chosen = new Set(entries[field.key] ?? []);
    return el("fieldset", { class: "entry" }, el("legend", {}, field.label),
      lanes.map((name) => el("label", { class: "check" }, el("input", {
        type: "checkbox", checked: chosen.has(name), "data-key": `entry ${field.key} ${name}`,
        onchange: (event) => {
          if (event.target.checked) chosen.add(name);
          else chosen.delete(name);
          entries[field.key] = lanes.filter((lane) => chosen.has(lane));
        },
      }), name)), hint ? el("span", { class: "quiet small" }, hint) : null);
  }
  return labelled(field.label, el("input", {
    ...common, type: field.kind === "number" ? "number" : "text", step: "any",
    value: entries[field.key] ?? "", maxlength: 400,
    oninput: (event) => {
      entries[field.key] = event.target.value;
    },
  }), hint);
}

// A spot is chosen in a list, or by a click wherever spots are shown.
function spotEntry(field, hint, common) {
  const options = (store.reading?.lanes ?? []).flatMap((lane) => lane.spots.map((spot, i) => ({
    lane: lane.name, rf: spot.rf, text: `${lane.name}, spot ${i + 1}, Rf ${spot.rf.toFixed(3)}` })));
  const now = entries[field.key];
  return labelled(field.label, el("select", { ...common,
    class: waiting === field ? "waiting" : null,
    onfocus: () => {
      waiting = field;
    },
    onchange: (event) => {
      const chosen = options[event.target.value];
      entries[field.key] = chosen ? { lane: chosen.lane, rf: chosen.rf } : null;
    },
  }, el("option", { value: "" }, "click a spot, or choose"), options.map((option, i) =>
    el("option", { value: String(i),
      selected: Boolean(now && now.lane === option.lane && Math.abs(now.rf - option.rf) < 1e-9) },
    option.text))), hint);
}

function picked({ lane, spot }) {
  if (!form || !waiting || byId("panel-questions").hidden) return;
  const found = store.reading?.lanes[lane];
  entries[waiting.key] = { lane: found.name, rf: found.spots[spot].rf };
  const next = form.fields.filter((field) => field.kind.startsWith("spot"));
  waiting = next[(next.indexOf(waiting) + 1) % next.length];
  draw();
}

export async function ask(event) {
  event.preventDefault();
  try {
    const { number } = await post(`${plate(store.id)}/ask`, { question: form.question, entries });
    shown = number;
    await refresh();
  } catch (error) {
    say(error.message, "error");
  }
}

// ------------------------------------------------------------------ answers

function answers() {
  const list = store.state.answers;
  renew(byId("answers"), [...list].reverse().map((answer) => {
    const old = answer.revision !== store.state.revision;
    const share = answer.whole ? answer.done / answer.whole : null;
    return el("li", { class: answer.state },
      el("span", {}, el("b", {}, answer.words), ` ${told(answer)}`,
        old && answer.state === "answered"
          ? el("span", { class: "quiet" }, " asked before the last change") : null),
      answer.state === "running" ? el("progress", {
        "aria-label": "How far the question is", max: share === null ? null : 1, value: share }) : null,
      answer.state === "running" ? el("button", { class: "light", "data-key": `stop ${answer.number}`,
        onclick: () => post(`${plate(store.id)}/answers/${answer.number}/stop`).catch(
          (error) => say(error.message, "error")) }, "Stop") : null,
      answer.state === "answered" ? el("button", { class: "light",
        "aria-pressed": String(shown === answer.number), "data-key": `show ${answer.number}`,
        onclick: () => show(answer) }, "Show") : null);
  }));
  const wanted = list.find((answer) => answer.number === shown);
  if (wanted?.state === "answered") show(wanted);
}

const told = (answer) => ({ running: "is being answered", answered: "answered",
  failed: answer.line, stopped: "stopped" }[answer.state]);

function show(answer) {
  shown = answer.number;
  const frame = byId("answer-frame");
  const address = `${plate(store.id)}/answers/${answer.number}/${answer.question}.html`;
  frame.hidden = false;
  byId("answer-open").hidden = false;
  byId("answer-open").href = address;
  if (frame.getAttribute("src") !== address) {
    frame.setAttribute("src", address);
    frame.title = `Answer: ${answer.words}`;
  }
  document.querySelectorAll("#answers [aria-pressed]").forEach((button) =>
    button.setAttribute("aria-pressed", String(button.dataset.key === `show ${answer.number}`)));
}
