// The page of a comparison: one cursor through all panels and the map, zoom by corner, replay in real time.
"use strict";

(async function () {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const facts = read("facts");
  const plots = read("plots");
  const all = (selector) => Array.from(document.querySelectorAll(selector));

  await Bokeh.embed.embed_items(plots.documents, plots.items);
  const book = Bokeh.documents[0];
  const model = (name) => book.get_model_by_name(name);
  const columns = {};
  for (const [name, values] of Object.entries(model("traces").data)) columns[name] = Array.from(values);

  const rows = facts.rows;
  const station = columns.s;
  const first = station[0];
  const last = station[rows - 1];
  const people = facts.people;
  const lead = people[1];
  const map = model("map");
  const across = model("across");
  const panels = facts.panels.map((panel) => ({ ...panel, plot: model(panel.name) }));
  const cursors = facts.panels.map((panel) => model("cursor-" + panel.name));
  const marks = Object.fromEntries(people.map((who) => [who, model("mark-" + who)]));
  const startAt = Array.from(model("strip-names").data.at);
  const startY = Array.from(model("map-names").data.dy);
  const startX = Array.from(model("map-names").data.dx);
  const slider = document.getElementById("moment");
  const where = document.getElementById("where");
  const playButton = document.getElementById("play");
  const longest = Math.max(...people.map((who) => columns[who + "_t"][rows - 1]));

  // Where everybody is [m], the moment [s since the line, the first driver's], whether time runs, the corner that is shown.
  const state = { at: {}, moment: 0, playing: false, rate: 1, shown: null };

  // The replay: when everybody is where it begins (the line, or all at the start of the corner shown), and its last moment.
  const replay = { begin: {}, end: longest };

  // Row before a value in a rising column, among the rows of the lap, or of what is shown of the road.
  function before(column, value) {
    let low = 0, high = (state.shown === null ? rows : station.length) - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (column[middle] <= value) low = middle; else high = middle;
    }
    return low;
  }

  // One column read at a value of another, which rises; ends are held.
  function between(from, to, value) {
    const i = before(from, value);
    const span = from[i + 1] - from[i];
    const share = span > 0 ? Math.min(Math.max((value - from[i]) / span, 0), 1) : 0;
    return to[i] + share * (to[i + 1] - to[i]);
  }

  const held = (column, s) => column[before(station, s)];
  const value = (name, s) => (name in columns ? between(station, columns[name], s) : NaN);

  function inLap(s) {
    if (!facts.closed) return Math.min(Math.max(s, first), last);
    const length = last - first;
    return first + ((((s - first) % length) + length) % length);
  }

  // A place as it lies in what is shown, which may run on past the line; null when it is not in there.
  function seen(s) {
    const here = inLap(s);
    if (here >= across.start && here <= across.end) return here;
    const round = here + last - first;
    return facts.closed && round <= across.end && round >= across.start ? round : null;
  }

  // Everybody at one place.
  function toPlace(s) {
    const here = seen(s) ?? inLap(s);
    for (const who of people) state.at[who] = here;
    state.moment = between(station, columns[lead + "_t"], here);
    paintSoon();
  }

  // Everybody where he is at one moment: all have run as long since the line, or since the start of the corner shown.
  function toMoment(moment) {
    state.moment = Math.min(Math.max(moment, replay.begin[lead]), replay.end);
    const run = state.moment - replay.begin[lead];
    for (const who of people) state.at[who] = between(columns[who + "_t"], station, replay.begin[who] + run);
    paintSoon();
  }

  function setReplay() {
    for (const who of people) replay.begin[who] = state.shown === null ? 0 : between(station, columns[who + "_t"], across.start);
    replay.end = state.shown === null ? longest : between(station, columns[lead + "_t"], across.end);
  }

  let waiting = false;
  function paintSoon() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; paint(); });
  }

  function paint() {
    for (const cursor of cursors) cursor.location = state.at[lead];
    for (const who of people) {
      const lineOf = who + "_x" in columns ? who : "ref";
      const x = value(lineOf + "_x", state.at[who]), y = value(lineOf + "_y", state.at[who]);
      marks[who].data = { x: [who + "_x" in columns || who === "ref" ? x : NaN], y: [y] };
    }
    for (const part of all("[data-level]")) {
      const level = value(part.dataset.level, state.at[part.dataset.level.split("_")[0]]);
      part.style.width = (Number.isFinite(level) ? Math.min(Math.max(level, 0), 100) : 0).toFixed(1) + "%";
    }
    for (const part of all("[data-turn]")) {
      const angle = value(part.dataset.turn, state.at[part.dataset.turn.split("_")[0]]);
      part.setAttribute("transform", "rotate(" + (Number.isFinite(angle) ? -angle : 0).toFixed(1) + " 40 40)");
    }
    for (const part of all("[data-value]")) {
      const [who, what] = part.dataset.value.split("_");
      const now = what === "gear" ? held(columns[part.dataset.value], state.at[who]) : value(part.dataset.value, state.at[who]);
      part.textContent = Number.isFinite(now) ? now.toFixed(0) : "-";
    }
    const here = state.at[lead] > last ? inLap(state.at[lead]) : state.at[lead];
    const late = value(lead + "_difference", here);
    const gap = Number.isFinite(late) ? ", " + Math.abs(late).toFixed(2) + " s " + (late < 0 ? "ahead" : "behind") + " here" : "";
    where.textContent = between(station, columns[lead + "_t"], here).toFixed(1) + " s, " + here.toFixed(0) + " m" + gap;
    where.dataset.station = here.toFixed(2);
    if (document.activeElement !== slider || state.playing) {
      slider.value = String((1000 * (state.moment - replay.begin[lead])) / (replay.end - replay.begin[lead]));
    }
  }

  // The limits of a panel for what is seen of its columns.
  function fitHeight(panel) {
    if (panel.limits) return;
    let low = Infinity, high = -Infinity;
    for (let i = 0; i < station.length; i++) {
      if (station[i] < across.start || station[i] > across.end) continue;
      for (const name of panel.columns) {
        const here = columns[name][i];
        if (here < low) low = here;
        if (here > high) high = here;
      }
    }
    if (!(high >= low)) return;
    const middle = 0.5 * (low + high);
    const half = 0.56 * Math.max(high - low, panel.least);
    panel.plot.y_range.setv({ start: middle - half, end: middle + half });
  }

  // The map as large as it goes: a metre is a metre in both directions.
  function fitMap() {
    const xs = [], ys = [];
    const take = (low, high) => {
      for (let i = 0; i < rows; i++) {
        if (station[i] >= low && station[i] <= high) { xs.push(columns.ref_x[i]); ys.push(columns.ref_y[i]); }
      }
    };
    take(across.start, across.end);
    if (facts.closed) { take(across.start + last - first, across.end + last - first); take(across.start - last + first, across.end - last + first); }
    const [left, right, low, high] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    const wide = Math.max(map.inner_width, 50), tall = Math.max(map.inner_height, 50);
    const height = Math.round(Math.min(520, Math.max(320, 0.95 * wide)));
    if (map.height !== height) map.height = height;
    const room = Math.min(125, 0.2 * wide);
    const metres = Math.max((right - left) / (wide - 2 * room), (high - low) / (tall - 110), 0.02);
    map.x_range.setv({ start: 0.5 * (left + right - metres * wide), end: 0.5 * (left + right + metres * wide) });
    map.y_range.setv({ start: 0.5 * (low + high - metres * tall), end: 0.5 * (low + high + metres * tall) });
    nameMap(wide, tall, metres);
    nameStrip();
  }

  // Names where there is room for them [pixels]; on a small screen some wait until a person zooms to their corner.
  const wideOf = (text) => 9.5 * text.length + 8;
  const meet = (a, b) => a[0] < b[1] && b[0] < a[1] && a[2] < b[3] && b[2] < a[3];

  function nameMap(wide, tall, metres) {
    const names = model("map-names"), ranks = model("map-ranks").data;
    const at = (data, i) => [(data.x[i] - map.x_range.start) / metres + data.dx[i], (map.y_range.end - data.y[i]) / metres + data.dy[i]];
    const taken = Array.from(ranks.rank, (rank, i) => at(ranks, i)).map(([x, y]) => [x - 12, x + 12, y - 12, y + 12]);
    const data = { ...names.data, dx: Array.from(startX), dy: Array.from(startY), shown: names.data.name.map(() => "") };
    data.name.forEach((name, i) => {
      const half = 0.5 * wideOf(name);
      for (const out of [1, 1.35]) {
        data.dx[i] = out * startX[i];
        data.dy[i] = out * startY[i];
        const [x, y] = at(data, i);
        if (x < -half || x > wide + half || y < 10 || y > tall - 10) continue;
        const inside = Math.min(Math.max(x, half), Math.max(wide - half, half));
        const box = [inside - half, inside + half, y - 10, y + 10];
        if (taken.some((other) => meet(box, other))) continue;
        taken.push(box);
        data.dx[i] += inside - x;
        data.shown[i] = name;
        break;
      }
    });
    names.data = data;
  }

  function nameStrip() {
    const strip = model("strip-names"), plot = model("panel-names");
    const wide = Math.max(plot.inner_width, 50), taken = [];
    const data = { ...strip.data, at: Array.from(startAt), row: [], shown: [] };
    const metres = (across.end - across.start) / wide;
    data.name.forEach((name, i) => {
      const wanted = (startAt[i] - across.start) / metres, half = 0.5 * wideOf(name);
      const seen = wanted >= 0 && wanted <= wide;
      const x = seen ? Math.min(Math.max(wanted, half), Math.max(wide - half, half)) : wanted;
      data.at[i] = across.start + x * metres;
      const row = [1.5, 0.5].find((y) => !taken.some((other) => meet([x - half, x + half, y - 0.4, y + 0.4], other)));
      const room = row !== undefined && seen;
      if (room) taken.push([x - half, x + half, row - 0.4, row + 0.4]);
      data.row.push(row ?? 0.5);
      data.shown.push(room ? name : "");
    });
    strip.data = data;
  }

  // All panels and the map on one stretch of road; the whole lap for no name.
  function show(name) {
    const corner = facts.corners.find((one) => one.name === name);
    const start = corner ? corner.from : first;
    const end = corner ? Math.min(corner.to, station[station.length - 1]) : last;
    across.setv({ start: corner ? Math.max(start, first) : start, end: end });
    state.shown = corner ? name : null;
    setReplay();
    panels.forEach(fitHeight);
    fitMap();
    for (const button of all("button.corner")) {
      button.setAttribute("aria-pressed", String(button.dataset.corner === (corner ? name : "")));
    }
    if (state.playing) toMoment(corner ? replay.begin[lead] : state.moment);
    else toPlace(seen(state.at[lead] ?? first) ?? 0.5 * (across.start + across.end));
  }

  // A pointer over a panel gives a station, one over the map a place.
  function point(s, x, y) {
    if (state.playing) return;
    if (s !== null) { toPlace(s); return; }
    let best = 0, least = Infinity;
    for (let i = 0; i < rows; i++) {
      const off = (columns.ref_x[i] - x) ** 2 + (columns.ref_y[i] - y) ** 2;
      if (off < least) { least = off; best = i; }
    }
    toPlace(station[best]);
  }

  let clock = 0;
  function tick(now) {
    if (!state.playing) return;
    const moment = state.moment + ((now - clock) / 1000) * state.rate;
    clock = now;
    toMoment(moment);
    if (moment >= replay.end) play(false); else requestAnimationFrame(tick);
  }

  function play(on) {
    if (on) toMoment(state.moment >= replay.end - 0.01 ? replay.begin[lead] : state.moment);
    state.playing = on;
    playButton.textContent = on ? "Stop" : "Play";
    playButton.setAttribute("aria-pressed", String(on));
    if (on) { clock = performance.now(); requestAnimationFrame(tick); }
  }

  playButton.addEventListener("click", () => play(!state.playing));
  slider.addEventListener("input", () => {
    toMoment(replay.begin[lead] + (Number(slider.value) / 1000) * (replay.end - replay.begin[lead]));
  });
  for (const button of all("button.rate")) {
    button.addEventListener("click", () => {
      state.rate = Number(button.dataset.rate);
      for (const one of all("button.rate")) one.setAttribute("aria-pressed", String(one === button));
    });
  }
  for (const button of all("button.corner")) button.addEventListener("click", () => show(button.dataset.corner));
  for (const button of all("button.show")) {
    button.addEventListener("click", () => {
      play(false);
      show(button.dataset.corner);
      toPlace(Number(button.dataset.at));
      document.getElementById("show").scrollIntoView({ block: "start" });
    });
  }
  document.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!step || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.target.closest && event.target.closest("input, .frame")) return;
    event.preventDefault();
    play(false);
    toPlace(state.at[lead] + step * (event.shiftKey ? 20 : 2));
  });
  for (const name of ["inner_width", "inner_height"]) map.properties[name].change.connect(() => fitMap());
  model("panel-names").properties.inner_width.change.connect(() => nameStrip());
  window.lapReport = { point, show, play, toPlace, toMoment, state, model, facts };
  show("");
  document.documentElement.dataset.ready = "yes";
})();
