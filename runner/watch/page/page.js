"use strict";
// Everything from the record is put in as text, never as markup.
const byId = (id) => document.getElementById(id);
const put = (id, text) => { const node = byId(id); if (node.textContent !== text) node.textContent = text; };
const state = { top: {}, now: { values: {} }, minutes: [], events: [], beat: {}, beatAt: 0, screen: {} };
const MINUTES_MAX = 2880;
const EVENTS_MAX = 200;
const SILENT_S = 150; // setting a stage may take two minutes

function span(seconds) {
  if (!Number.isFinite(seconds)) return "–";
  const minutes = Math.floor(seconds / 60);
  if (minutes >= 60) return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
  return minutes ? `${minutes} min` : `${Math.round(seconds)} s`;
}

function number(value, unit) {
  const digits = { W: 1, Hz: 2, "°C": 1 }[unit];
  if (digits !== undefined) return `${value.toFixed(digits)} ${unit}`;
  const size = Math.abs(value);
  const [factor, prefix] = size >= 1e9 ? [1e9, "G"] : size >= 1e6 ? [1e6, "M"] : size >= 1e3 ? [1e3, "k"]
    : size >= 0.1 || size === 0 ? [1, ""] : size >= 1e-4 ? [1e-3, "m"] : [1e-6, "µ"];
  return `${(value / factor).toPrecision(4)} ${prefix}${unit}`;
}

function showTop() {
  const top = state.top;
  put("unit", `${top.maker || ""} ${top.model || ""}`.trim() || "…");
  put("serial", top.serial ? `serial ${top.serial}` : "");
  byId("simulated").hidden = !top.simulated;
}

function showNow() {
  const now = state.now;
  const volts = now.values["output-voltage"];
  put("doing", now.ended ? `Ended: ${now.ended}${now.reason ? ": " : ""}${now.reason || ""}` : now.stage ? `Soak, ${now.stage}` : now.question || "");
  put("volts", volts ? volts[0].toFixed(3) : "–");
  if (volts && now.low_v !== undefined) {
    put("band", `set ${now.set_v.toFixed(3)} V, allowed ${now.low_v.toFixed(2)} to ${now.high_v.toFixed(2)} V`);
    const share = (volts[0] - now.low_v) / (now.high_v - now.low_v);
    byId("needle").style.left = `${100 * Math.min(1, Math.max(0, share))}%`;
    byId("big").className = share < 0 || share > 1 ? "out" : "";
  }
  byId("load").className = now.load;
  const amps = now.values["load-current"];
  put("load", now.load === "on" && amps ? `on, ${amps[0].toFixed(2)} A` : now.load || "–");
  put("winding", now.winding ? `${now.winding} by set point` : "–");
  pairs("others", Object.entries(now.values).filter(([name]) => name !== "output-voltage" && name !== "load-current")
    .map(([name, [value, unit]]) => [name.replaceAll("-", " "), number(value, unit)]));
  if (now.ended) byId("end").disabled = true;
}

function pairs(id, rows) {
  const list = byId(id);
  while (list.children.length > rows.length) list.lastChild.remove();
  rows.forEach(([name, text], index) => {
    let row = list.children[index];
    if (!row) {
      row = document.createElement("div");
      row.append(document.createElement("dt"), document.createElement("dd"));
      list.append(row);
    }
    if (row.children[0].textContent !== name) row.children[0].textContent = name;
    if (row.children[1].textContent !== text) row.children[1].textContent = text;
  });
}

function showBeat() {
  const beat = state.beat;
  const old = (performance.now() - state.beatAt) / 1000;
  if (!state.now.ended && beat.left_s !== undefined) {
    put("left", span(Math.max(0, beat.left_s)));
    put("done", span(beat.done_s));
  } else if (state.now.ended) { put("left", "–"); }
  const extra = state.beat.heard_s ? old : 0;
  const mute = extra > Math.max(SILENT_S, 3 * (state.top.every_s || 0)) && !state.now.ended;
  byId("silent").hidden = !mute;
  if (mute) put("silent", `The run has given no sign of life for ${span(extra)}. Look at the bench.`);
  pairs("heard", Object.entries(beat.heard_s || {}).map(([name, s]) => [name, state.now.ended ? "–" : `${span(s + extra)} ago`]));
}

function showTrend() {
  const rows = state.minutes.filter((row) => row[2] !== null);
  if (!rows.length) return;
  let low = Infinity, high = -Infinity;
  for (const row of rows) { low = Math.min(low, row[1]); high = Math.max(high, row[3]); }
  const room = Math.max((high - low) * 0.08, 0.0005);
  low -= room; high += room;
  const first = rows[0][0], last = Math.max(rows[rows.length - 1][0], first + 1);
  const x = (minute) => (600 * (minute - first) / (last - first)).toFixed(1);
  const y = (v) => (200 * (high - v) / (high - low)).toFixed(1);
  byId("mean").setAttribute("d", rows.map((r, i) => `${i ? "L" : "M"}${x(r[0])} ${y(r[2])}`).join(""));
  const up = rows.map((r, i) => `${i ? "L" : "M"}${x(r[0])} ${y(r[3])}`).join("");
  const down = [...rows].reverse().map((r) => `L${x(r[0])} ${y(r[1])}`).join("");
  byId("range").setAttribute("d", `${up}${down}Z`);
  put("trend-text", `${span(60 * (last - first))}: from ${(low + room).toFixed(4)} V to ${(high - room).toFixed(4)} V (band: least to greatest of each minute)`);
}

function showEvents(added) {
  const list = byId("events");
  for (const event of added) {
    const item = document.createElement("li");
    const time = document.createElement("time");
    const when = new Date(event.at);
    time.textContent = Number.isNaN(when.getTime()) ? "" : when.toLocaleTimeString();
    item.append(time, document.createTextNode(event.text));
    list.prepend(item);
  }
  while (list.children.length > EVENTS_MAX) list.lastChild.remove();
}

function showScreen() {
  const asked = state.screen.asked || "";
  byId("asking").hidden = !asked || Boolean(state.now.ended);
  put("asked", asked);
  const live = state.screen.live || "";
  const parts = /^(.*?),? ?now (\S+ \S+?)(,.*)?$/.exec(live); // the value alone is read from two metres
  byId("live").hidden = !live;
  put("live-words", parts ? [parts[1], (parts[3] || "").slice(2)].filter(Boolean).join(", ") : live);
  put("live-value", parts ? parts[2] : "");
  byId("main-reading").hidden = Boolean(asked && state.screen.live); // an older reading would mislead
}

function takeBeat(beat, ageSeconds) {
  state.beat = beat;
  state.beatAt = performance.now() - 1000 * ageSeconds;
}

function showAll() { showTop(); showNow(); showBeat(); showTrend(); showScreen(); }

const source = new EventSource("events");
source.addEventListener("all", (message) => {
  const all = JSON.parse(message.data);
  Object.assign(state, { screen: {} }, all);
  if (all.beat) takeBeat(all.beat, all.beat_age_s);
  byId("events").replaceChildren();
  showEvents(state.events);
  showAll();
});
source.addEventListener("change", (message) => {
  const change = JSON.parse(message.data);
  if (change.top) { state.top = change.top; showTop(); }
  if (change.now) { state.now = change.now; showNow(); }
  if (change.beat) { takeBeat(change.beat, 0); showBeat(); }
  if (change.screen) { state.screen = change.screen; showScreen(); }
  if (change.events) showEvents(change.events);
  if (change.minutes) {
    state.minutes.push(...change.minutes);
    state.minutes.splice(0, Math.max(0, state.minutes.length - MINUTES_MAX));
    showTrend();
  }
});
source.onopen = () => { byId("lost").hidden = true; };
source.onerror = () => { byId("lost").hidden = false; };
setInterval(showBeat, 1000);

let sure = -Infinity;
byId("end").addEventListener("click", async () => {
  const button = byId("end");
  if (performance.now() - sure > 4000) {
    sure = performance.now();
    button.textContent = "Press again to end";
    setTimeout(() => { if (!button.disabled) button.textContent = "End safely"; }, 4000);
    return;
  }
  button.disabled = true;
  try {
    const answer = await fetch("end-safely", { method: "POST", headers: { "X-Asleft": "end-safely" } });
    put("end-text", await answer.text());
    button.textContent = answer.ok ? "Ending" : "End safely";
    button.disabled = answer.ok;
  } catch (error) {
    put("end-text", "The wish did not arrive: go to the bench and end it there.");
    button.disabled = false;
  }
});
