"use strict";
/* What happens on a click or a key. Models are found by the names that viewer.py gives them;
   samples are unpacked as codes.py packs them. Nothing is asked for from outside the page. */
(async () => {
  const text = (id) => document.getElementById(id).textContent;
  const facts = JSON.parse(text("viewer-facts"));
  const {mu: MU, zero: ZERO, levels: LEVELS, unknown: UNKNOWN} = facts.code;
  const {ndarray} = Bokeh.require("core/util/ndarray");

  /* The minus sign in place of the hyphen that the language puts before numbers. */
  const minus = (text) => text.replace(/(^|[ >e])-(?=\d)/g, "$1−");

  async function models(item, place) {
    await Bokeh.embed.embed_item(JSON.parse(text(item)), place);
    const page = Bokeh.documents[Bokeh.documents.length - 1];
    return (name) => page.get_model_by_name(name);
  }
  const on = (model, property, act) => model && model.properties[property].change.connect(act);

  /* ---- samples ---- */
  const unpacked = new Map();
  async function unpack(name, width) {
    if (!unpacked.has(name)) {
      const packed = Uint8Array.from(atob(text(name)), (letter) => letter.charCodeAt(0));
      const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
      const codes = new Uint8Array(await new Response(stream).arrayBuffer());
      for (let k = 0; k < codes.length; k++) if (k % width) codes[k] += codes[k - 1];
      unpacked.set(name, codes);
    }
    return unpacked.get(name);
  }
  const amplitudes = Float32Array.from({length: 256}, (_, code) => {
    if (code === UNKNOWN) return NaN;
    const level = (code - ZERO) / LEVELS;
    return Math.sign(level) * (Math.pow(1 + MU, Math.abs(level)) - 1) / MU;
  });
  const FINE = 8192;
  const codeOf = Uint8Array.from({length: 2 * FINE + 1}, (_, k) => {
    const part = (k - FINE) / FINE;
    return ZERO + Math.round(LEVELS * Math.sign(part) * Math.log1p(MU * Math.abs(part)) / Math.log1p(MU));
  });
  function encode(amplitude) {
    if (Number.isNaN(amplitude)) return UNKNOWN;
    return codeOf[Math.round(FINE * Math.max(-1, Math.min(1, amplitude))) + FINE];
  }
  function combined(one, other, sign) {
    return one.map((code, k) => encode(amplitudes[code] + sign * amplitudes[other[k]]));
  }
  /* The samples of a view, (trace, row). */
  async function samples(gather, view) {
    const part = (name) => unpack(`${gather.name}-${name}`, gather.rows);
    if (view === "before") return combined(await part("after"), await part("removed"), 1);
    if (view === "truth") return combined(await part("after"), await part("error"), -1);
    return part(view);
  }
  /* Traces in the times of another source, linear between rows. */
  function moved(codes, gather, later) {
    const out = new Uint8Array(codes.length).fill(UNKNOWN);
    const rows = gather.rows;
    later.forEach((shift, trace) => {
      if (shift === null) return;
      const whole = Math.floor(shift), part = shift - whole, begin = trace * rows;
      const last = Math.min(rows, rows - 1 - whole);
      for (let row = Math.max(0, -whole); row < last; row++) {
        const at = begin + row + whole;
        out[begin + row] = encode((1 - part) * amplitudes[codes[at]] + part * amplitudes[codes[at + 1]]);
      }
    });
    return out;
  }
  function turned(codes, columns, rows) {
    const out = new Uint8Array(codes.length);
    for (let column = 0; column < columns; column++)
      for (let row = 0; row < rows; row++) out[row * columns + column] = codes[column * rows + row];
    return out;
  }

  /* ---- what is shown ---- */
  const viewer = facts.gathers.length ? await models("viewer-models", "viewer") : null;
  const state = {source: facts.sources[0], kind: "common channel", gather: null, view: "before",
    earlier: "after", aligned: "", point: null, window: null};
  const readout = document.getElementById("readout"), caption = document.getElementById("gather-caption");
  const stored = (source = state.source, kind = state.kind) =>
    facts.gathers.filter((one) => one.source === source && one.kind === kind);
  const views = () => ["before", "after", "removed",
    ...((state.gather || facts.gathers[0]).parts.includes("error") ? ["truth", "error"] : [])];
  const words = (gather) => (gather.kind === "shot" ? "shot point " : "channel ") + gather.number;

  const greys = (gain) => {
    const clip = Math.pow(10, -(gain - facts.quietest_db) / 20);
    return Array.from(amplitudes, (amplitude) => {
      if (Number.isNaN(amplitude)) return "#ffffff";
      const part = Math.max(-1, Math.min(1, amplitude / clip));
      const shade = Math.round(127.5 * (1 - part)).toString(16).padStart(2, "0");
      return `#${shade}${shade}${shade}`;
    });
  };
  function paint() { viewer("greys").palette = greys(viewer("gain").value); }

  function show(source, codes, columns, rows, dtype, place) {
    const image = ndarray(codes.buffer, {dtype, shape: [rows, columns]});
    source.data = {image: [image], x: [place.x], y: [place.y], dw: [place.dw], dh: [place.dh]};
  }

  let turn = 0;
  async function drawGather() {
    const gather = state.gather, mine = ++turn;
    const other = gather.aligned.find((one) => one.label === state.aligned);
    let codes = await samples(gather, state.view);
    if (mine !== turn) return; // another choice was made meanwhile
    if (other) codes = moved(codes, gather, other.rows_later);
    show(viewer("gather_source"), turned(codes, gather.traces, gather.rows), gather.traces, gather.rows,
      "uint8", {x: -0.5, y: 0, dw: gather.traces, dh: gather.length_s});
    const zero = other ? `time break of ${other.label}` : "its own time break";
    const scale = gather.clip * Math.pow(10, -viewer("gain").value / 20);
    caption.textContent = `Source ${gather.source}, ${words(gather)}: ${state.view}. ` +
      `Time 0 is ${zero}. Black is +${minus(scale.toPrecision(3))}, white is −${minus(scale.toPrecision(3))} ` +
      `(${facts.unit}), the same for every view of this gather; ` +
      `each row is the mean of ${(1e3 * gather.row_s).toPrecision(3)} ms. Plain white: not known.` + pointWords();
    document.getElementById("viewer").dataset.shown =
      [gather.name, state.view, state.aligned, viewer("gain").value].join("/");
    ahead(gather);
  }

  /* Unpacks what the next keys may ask for while the reader looks. */
  function ahead(gather) {
    const choices = stored(), at = choices.indexOf(gather);
    const near = [gather, choices[at + 1], choices[at - 1]].filter(Boolean);
    const wanted = near.flatMap((one) => one.parts.map((part) => [`${one.name}-${part}`, one.rows]))
      .filter(([name]) => !unpacked.has(name));
    if (wanted.length) setTimeout(async () => { await unpack(...wanted[0]); ahead(gather); }, 30);
  }

  /* The trace that is marked in the gather, -1 without one. */
  function markedTrace() {
    const {gather, point} = state;
    return point ? gather.members.indexOf(gather.kind === "shot" ? point.channel : point.shot_point) : -1;
  }
  function pointWords() {
    const at = markedTrace();
    if (at < 0) return "";
    const other = state.gather.kind === "shot" ? "common channel" : "shot";
    return ` Marked: ${placeWords(other, state.gather.members[at])}; Enter leads there.`;
  }
  function markPoint() {
    const mark = viewer("gather_mark"), at = markedTrace();
    mark.visible = at >= 0;
    if (at >= 0) mark.location = at;
    const span = viewer("gather_window");
    span.visible = Boolean(state.window);
    if (state.window) span.setv({top: state.window[0], bottom: state.window[1]});
    markMap();
  }
  function markTrace(trace) {
    const gather = state.gather, member = gather.members[trace];
    if (member === undefined) return;
    state.point = gather.kind === "shot" ? {shot_point: gather.number, channel: member} :
      {shot_point: member, channel: gather.number};
    markPoint();
    drawGather();
    remember(false);
  }

  function setTicks(ticker, axis, places, labels) {
    viewer(axis).major_label_overrides = new Map(places.map((place, k) => [place, labels[k]]));
    viewer(ticker).ticks = places;
  }

  async function choose(gather) {
    const changed = gather !== state.gather;
    state.gather = gather;
    state.source = gather.source;
    state.kind = gather.kind;
    if (!views().includes(state.view)) state.view = "removed";
    viewer("source").active = facts.sources.indexOf(gather.source);
    viewer("kind").active = gather.kind === "shot" ? 1 : 0;
    const number = viewer("number");
    number.options = stored().map((one) => [one.name, words(one)]);
    number.value = gather.name;
    viewer("view").labels = views().map((name, k) => `${k + 1} ${name}`);
    viewer("view").active = views().indexOf(state.view);
    const aligned = viewer("aligned");
    aligned.options = [["", "in its own times"],
      ...gather.aligned.map((one) => [one.label, `in the times of ${one.label}`])];
    const asked = gather.aligned.find((one) => [one.label, one.times].includes(state.aligned));
    state.aligned = asked ? asked.label : "";
    aligned.value = state.aligned;
    if (changed) {
      const across = viewer("gather_x"), limits = {start: -0.5, end: gather.traces - 0.5};
      across.setv({...limits, reset_start: limits.start, reset_end: limits.end});
      setTicks("gather_ticks", "gather_axis", gather.ticks, gather.tick_labels);
      viewer("gather_axis").axis_label = gather.axis_label;
    }
    markPoint();
    await drawGather();
    if (changed) await drawMap();
  }

  function nearest(numbers, wanted) {
    let best = 0;
    numbers.forEach((number, k) => {
      if (Math.abs(number - wanted) < Math.abs(numbers[best] - wanted)) best = k;
    });
    return best;
  }

  /* ---- places: a gather, what is marked in it and how it is shown, as a fragment of the address ---- */
  const missing = document.getElementById("missing");
  const placeWords = (kind, number) => (kind === "shot" ? "shot point " : "channel ") + number;

  function fragment() {
    const {gather, point} = state, shot = gather.kind === "shot";
    const place = new URLSearchParams({source: gather.source, [shot ? "shot_point" : "channel"]: gather.number});
    const near = point && (shot ? point.channel : point.shot_point);
    if (state.view !== "before") place.set("show", state.view);
    if (state.aligned) place.set("times", gather.aligned.find((one) => one.label === state.aligned).times);
    if (near != null) place.set("near", near);
    const [start, end] = viewer("window").value;
    if (start > 0 || end < viewer("window").end) place.set("time_s", `${+start.toFixed(3)}:${+end.toFixed(3)}`);
    if (state.window) place.set("window_s", state.window.join(":"));
    return "#" + place;
  }
  /* What is shown goes into the address: as a step back where the gather is another one. */
  function remember(step) {
    if (fragment() === location.hash) return;
    if (step) history.pushState(null, "", fragment());
    else history.replaceState(null, "", fragment());
  }

  /* Shows a place; a shot that is not in the page is marked in a common-channel gather. */
  async function goTo(source, shotPoint, channel, kind = state.kind) {
    if (!stored(source, "shot").length && !stored(source, "common channel").length) return;
    const wanted = kind === "shot" ? shotPoint : channel;
    let gather = stored(source, kind).find((one) => one.number === wanted);
    const absent = wanted != null && !gather;
    if (!gather) {
      const choices = stored(source, "common channel").length ? stored(source, "common channel") : stored(source, "shot");
      gather = choices[channel == null || choices[0].kind === "shot" ? Math.floor(choices.length / 2) :
        nearest(choices.map((one) => one.number), channel)];
    }
    state.point = shotPoint == null && channel == null ? null : {shot_point: shotPoint, channel};
    missing.hidden = !absent;
    if (absent) {
      missing.querySelector("span").textContent =
        `Source ${source}, ${placeWords(kind, wanted)} is not among the gathers of this page. ` +
        `Shown is ${words(gather)}` + (gather.members.includes(shotPoint) ? ", where its trace is marked." : ".");
      missing.querySelector("code").textContent =
        `deblend view OUT --at source=${source},${kind === "shot" ? "shot_point" : "channel"}=${wanted}`;
    }
    await choose(gather);
  }
  const span = (text) => {
    const [low, high] = (text || "").split(":").map(Number);
    return low < high ? [low, high] : null;
  };
  /* Shows what a fragment names; nothing where it is another kind of link. */
  function follow(hash) {
    const place = new URLSearchParams(hash.replace(/^#/, ""));
    const number = (name) => (place.has(name) ? Number(place.get(name)) : null);
    const shot = place.has("shot_point"), source = place.get("source") || state.source;
    if (!facts.sources.includes(source) || !["source", "shot_point", "channel"].some((name) => place.has(name)))
      return undefined;
    if (views().includes(place.get("show"))) state.view = place.get("show");
    state.aligned = place.get("times") || "";
    state.window = span(place.get("window_s"));
    viewer("window").value = span(place.get("time_s")) || [viewer("window").start, viewer("window").end];
    return shot ? goTo(source, number("shot_point"), number("near"), "shot") :
      goTo(source, number("near"), number("channel"), "common channel");
  }
  function focusViewer() {
    document.getElementById("look").scrollIntoView();
    document.getElementById("viewer").focus({preventScroll: true});
  }
  /* A step that a click or a key in the page asks for. */
  async function lead(...place) {
    state.window = null;
    await goTo(...place);
    remember(true);
    focusViewer();
  }

  /* ---- maps ---- */
  const axes = facts.map_axes;
  async function drawMap() {
    if (!facts.maps.length) return;
    const metric = viewer("metric").value, window = Number(viewer("map_window").value);
    const map = facts.maps.find((one) => one.metric === metric && one.window === window &&
      one.source === state.source);
    if (!map) return;
    const [shots, channels] = map.shape, codes = await unpack(map.name, channels);
    const values = new Float32Array(codes.length);
    for (let shot = 0; shot < shots; shot++)
      for (let channel = 0; channel < channels; channel++) {
        const code = codes[shot * channels + channel];
        values[channel * shots + shot] = code ? map.low + (code - 1) / facts.map_levels * (map.high - map.low) : NaN;
      }
    viewer("map_colours").setv({low: map.low, high: map.high});
    show(viewer("map_source"), values, shots, channels, "float32",
      {x: -0.5, y: -0.5, dw: shots * map.step[0], dh: channels * map.step[1]});
    const points = axes.shot_point[state.source];
    viewer("map_x").setv({start: -0.5, end: points.length - 0.5,
      reset_start: -0.5, reset_end: points.length - 0.5});
    viewer("map_y").setv({start: axes.channel.length - 0.5, end: -0.5,
      reset_start: axes.channel.length - 0.5, reset_end: -0.5});
    const room = Math.floor(viewer("map").inner_width / 60); // numbers must not touch on a phone
    setTicks("map_shot_ticks", "map_shot_axis", ...spread(points, Math.max(2, Math.min(10, room))));
    setTicks("map_channel_ticks", "map_channel_axis", ...spread(axes.channel, 5));
    markMap();
  }
  function spread(numbers, count) {
    const step = Math.max(1, Math.ceil(numbers.length / count));
    const places = numbers.map((_, k) => k).filter((k) => k % step === 0);
    return [places, places.map((k) => String(numbers[k]))];
  }
  function markMap() {
    if (!facts.maps.length) return;
    const shotMark = viewer("map_shot_mark"), channelMark = viewer("map_channel_mark");
    const gather = state.gather, point = state.point;
    const shot = gather.kind === "shot" ? gather.number : point && point.shot_point;
    const channel = gather.kind === "shot" ? point && point.channel : gather.number;
    for (const [mark, numbers, number] of [[shotMark, axes.shot_point[state.source], shot],
      [channelMark, axes.channel, channel]]) {
      mark.visible = number != null && numbers.length > 0;
      if (mark.visible) mark.location = nearest(numbers, number);
    }
  }

  /* ---- controls ---- */
  /* A gather that a control asks for. */
  async function pick(gather) {
    state.point = state.window = null;
    missing.hidden = true;
    await choose(gather);
    remember(true);
  }
  function setView(view) {
    if (!views().includes(view) || view === state.view) return undefined;
    state.earlier = state.view;
    state.view = view;
    viewer("view").active = views().indexOf(view);
    remember(false);
    return drawGather();
  }
  function step(by) {
    const choices = stored(), at = choices.indexOf(state.gather) + by;
    if (choices[at]) pick(choices[at]);
  }
  if (viewer) {
    on(viewer("source"), "active", () => {
      const source = facts.sources[viewer("source").active];
      if (source === state.source) return;
      const same = stored(source).find((one) => one.number === state.gather.number);
      const shown = same || stored(source)[0] || facts.gathers.find((one) => one.source === source);
      if (shown) pick(shown);
    });
    on(viewer("kind"), "active", () => {
      const kind = viewer("kind").active ? "shot" : "common channel";
      if (kind === state.kind) return;
      const point = state.point && (kind === "shot" ? state.point.shot_point : state.point.channel);
      if (point != null) lead(state.source, state.point.shot_point, state.point.channel, kind);
      else pick(stored(state.source, kind)[0] || state.gather);
      viewer("kind").active = state.kind === "shot" ? 1 : 0;
    });
    on(viewer("number"), "value", () => {
      const gather = facts.gathers.find((one) => one.name === viewer("number").value);
      if (gather && gather !== state.gather) pick(gather);
    });
    on(viewer("view"), "active", () => setView(views()[viewer("view").active]));
    on(viewer("aligned"), "value", () => {
      if (viewer("aligned").value === state.aligned) return;
      state.aligned = viewer("aligned").value;
      remember(false);
      drawGather();
    });
    on(viewer("gain"), "value", () => { paint(); drawGather(); });
    on(viewer("window"), "value", () => {
      const [start, end] = viewer("window").value;
      if (end > start) viewer("gather_y").setv({start: end, end: start});
      if (state.gather && location.hash) remember(false);
    });
    on(viewer("metric"), "value", drawMap);
    on(viewer("map_window"), "value", drawMap);
    if (facts.maps.length)
      viewer("map").on_event("tap", ({x, y}) => {
        const shot = Math.round(x), channel = Math.round(y);
        const points = axes.shot_point[state.source];
        if (points[shot] !== undefined && axes.channel[channel] !== undefined)
          lead(state.source, points[shot], axes.channel[channel]);
      });
    viewer("gather").on_event("tap", ({x}) => markTrace(Math.round(x)));
    viewer("gather").on_event("mousemove", async ({x, y}) => {
      const gather = state.gather, trace = Math.round(x), row = Math.floor(y / gather.row_s);
      if (trace < 0 || trace >= gather.traces || row < 0 || row >= gather.rows) {
        readout.textContent = " ";
        return;
      }
      const other = gather.aligned.find((one) => one.label === state.aligned);
      let value = "";
      if (!other) {
        const codes = await samples(gather, state.view);
        const amplitude = gather.top * amplitudes[codes[trace * gather.rows + row]];
        value = Number.isNaN(amplitude) ? ", not known" : `, about ${minus(amplitude.toPrecision(2))} ${facts.unit}`;
      }
      const member = (gather.kind === "shot" ? "channel " : "shot point ") + gather.members[trace];
      readout.textContent = `${member}, ${y.toFixed(3)} s${value}`;
    });
    const place = document.getElementById("viewer");
    document.addEventListener("keydown", (event) => {
      const inField = event.composedPath().some((part) => ["INPUT", "SELECT", "TEXTAREA"].includes(part.tagName));
      if (inField || event.ctrlKey || event.metaKey || event.altKey) return;
      const view = views()[Number(event.key) - 1];
      if (view) setView(view);
      else if (event.key === "f") setView(state.earlier);
      else if (event.key === "n") step(1);
      else if (event.key === "p") step(-1);
      else if (document.activeElement !== place) return;
      else if (event.key === "ArrowRight") markTrace(markedTrace() + 1);
      else if (event.key === "ArrowLeft" && markedTrace() > 0) markTrace(markedTrace() - 1);
      else if (event.key === "Enter" && markedTrace() >= 0)
        lead(state.source, state.point.shot_point, state.point.channel,
          state.kind === "shot" ? "common channel" : "shot");
      else return;
      event.preventDefault();
    });

    paint();
    await follow(facts.first);
    const asked = follow(location.hash);
    if (asked) { await asked; focusViewer(); }
    window.addEventListener("hashchange", async () => {
      if (location.hash.length < 2) return follow(facts.first);
      const shown = follow(location.hash);
      if (shown) { await shown; focusViewer(); }
    });
  }
  document.body.dataset.complete = "yes";
})();
