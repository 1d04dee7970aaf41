"use strict";
(() => {
  const page = JSON.parse(document.getElementById("embedded").textContent);
  const ends = page.fleet.ends;
  const dimensions = ["depot", "duty", "axle_type"];
  const everywhere = { depot: "all depots", duty: "all duties", axle_type: "all axle types" };
  const firstShown = page.firstShown, moreShown = 24, mostFound = 14, dayMs = 864e5;
  const months = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
  const query = (selector, root = document) => root.querySelector(selector);
  const queryAll = (selector, root = document) => [...root.querySelectorAll(selector)];
  const selects = Object.fromEntries(dimensions.map((d) => [d, query(`select[name=${d}]`)]));
  const views = new Map();

  // ---- small helpers; all text goes in as text, never as markup
  function make(tag, attributes = {}, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.append(...children);
    return element;
  }
  const known = (value) => value !== null && value !== undefined;
  const number = (value, digits) => known(value) ? value.toFixed(digits) : "–";
  const percent = (value, digits = 0) => known(value) ? `${(100 * value).toFixed(digits)} %` : "–";
  function dayName(day) {
    if (!known(day)) return "–";
    const date = new Date(day * dayMs);
    return `${date.getUTCDate()} ${months[date.getUTCMonth()]} ${date.getUTCFullYear()}`;
  }
  // Charts show local time: midnight here, so that no day slips in any time zone.
  const localDay = (day) => new Date(1970, 0, 1 + day).getTime();
  const lengthDigits = page.lengthUnit === "mm" ? 1 : 2;
  const length = (value) => `${number(value, lengthDigits)} ${page.lengthUnit}`;

  // ---- charts
  const narrow = () => window.innerWidth < 560;
  function options() {
    const config = structuredClone(page.config);
    if (narrow()) {
      Object.assign(config.axis, { labelLimit: 176, labelFontSize: 10.5 });
      config.axisXQuantitative.tickCount = 4;
      config.legend.columns = 1;
    }
    return {
      ast: true, actions: false, renderer: "svg", defaultStyle: false, config, formatLocale: page.numbers,
      tooltip: { disableDefaultStyle: true },
    };
  }
  function unpacked(columns) {
    const lists = Object.entries(columns).map(([name, column]) => [name, Array.isArray(column)
      ? column : column.at.map((place) => (place === null ? null : column.words[place]))]);
    const rows = lists.length ? lists[0][1].length : 0;
    return Array.from({ length: rows }, (_, i) =>
      Object.fromEntries(lists.map(([name, values]) => [name, values[i]])));
  }
  async function drawInto(place, spec) {
    place.hidden = false;
    const before = views.get(place), name = place.getAttribute("aria-label");
    const result = await vegaEmbed(place, spec, options());
    views.set(place, result);
    // To a screen reader the place is one picture with our name for it; the table has the rest.
    place.setAttribute("role", "img");
    place.setAttribute("aria-label", name);
    place.removeAttribute("aria-roledescription");
    query("svg", place).setAttribute("aria-hidden", "true");
    if (before) before.finalize();
  }

  // Paper is as wide as it is, whatever the window was: charts are laid out anew for it.
  const paperWidth = 690, paperColumns = 3, paperHistory = 196, between = 14;
  function widthOnPaper(place) {
    if (place.closest(".history")) return paperHistory;
    if (place.closest(".figure.half")) return Math.floor(paperWidth / 2) - between;
    return place.closest(".figure.small") ? Math.floor(paperWidth / paperColumns) - between : paperWidth;
  }
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = queryAll(".chapter .listed").map((l) => l.closest("details")).filter((d) => d && !d.open);
    for (const details of opened) details.open = true;
    for (const [place, { view }] of views) view.width(widthOnPaper(place)).resize().run();
  });
  query("#print-all button").addEventListener("click", () => {
    document.documentElement.classList.add("whole");
    window.print();
  });
  window.addEventListener("afterprint", () => {
    document.documentElement.classList.remove("whole");
    for (const details of opened) details.open = false;
    for (const [place, { view }] of views)
      if (place.clientWidth) view.width(place.clientWidth).resize().run();
  });

  const selection = () =>
    Object.fromEntries(dimensions.map((d) => [d, selects[d].value || null]));

  const keeps = {
    cells: (figure, row, chosen) => figure.dimensions.every((d) => !chosen[d] || row[d] === chosen[d]),
    margin: (figure, row, chosen) => figure.dimensions.every((d) => (row[d] ?? null) === chosen[d]),
    whole: () => true,
    none: () => true,
  };
  function belongs(figure, chosen) {
    return figure.dimensions.every(
      (d) => !chosen[d] || !known(figure.belongs[d]) || figure.belongs[d] === chosen[d]);
  }
  function selectedSpec(figure, chosen) {
    const spec = structuredClone(figure.spec);
    const main = spec.data && spec.data.name;
    let rows = [];
    for (const [name, columns] of Object.entries(spec.datasets)) {
      spec.datasets[name] = unpacked(columns);
      if (name !== main) continue;
      rows = spec.datasets[name].filter((row) => keeps[figure.matching](figure, row, chosen));
      spec.datasets[name] = rows;
    }
    return { spec, rows };
  }
  function say(place, figure, chosen, empty) {
    const key = figure.dimensions.map((d) => chosen[d] || "").join("\u001f");
    const [title, note] = figure.said[key] || figure.first;
    const words = empty ? "Nothing to show for this selection" : title;
    query(".title", place).textContent = words;
    query(".said", place).textContent = empty ? "The warehouse may have it: see the query below." : note;
    query(".drawing", place).setAttribute(
      "aria-label", `Chart. ${words}. Its numbers are in the table below.`);
    const unsplit = dimensions.filter((d) => chosen[d] && !figure.dimensions.includes(d));
    const unsaid = !empty && !figure.said[key] && figure.matching !== "whole" &&
      figure.dimensions.some((d) => chosen[d]);
    const scope = [];
    const split = dimensions.filter((d) => chosen[d] && figure.dimensions.includes(d));
    if (split.length && !empty) scope.push(`For ${split.map((d) => chosen[d]).join(", ")}.`);
    if (unsplit.length) scope.push(`Drawn for ${unsplit.map((d) => everywhere[d]).join(" and ")}.`);
    if (unsaid) scope.push("The heading speaks of the whole fleet, the drawing of the selection.");
    const line = query(".scope", place);
    line.textContent = scope.join(" ");
    line.hidden = !scope.length;
  }
  async function drawFigure(key, chosen, onlyIfChanged) {
    const figure = page.figures[key];
    const place = query(`[data-figure="${key}"]`);
    if (!figure.first) figure.first = [query(".title", place).textContent, query(".said", place).textContent];
    place.hidden = figure.matching === "whole" && !belongs(figure, chosen);
    const { spec, rows } = selectedSpec(figure, chosen);
    const empty = rows.length === 0;
    const drawing = query(".drawing", place);
    const state = JSON.stringify(figure.dimensions.map((d) => chosen[d]));
    say(place, figure, chosen, empty);
    drawing.hidden = empty;
    const same = figure.drawn === state || ["whole", "none"].includes(figure.matching);
    if (place.hidden || empty || (onlyIfChanged && same)) return;
    figure.drawn = state;
    if (spec.layer) spec.layer = spec.layer.filter((layer) => !layer.encoding?.y?.field ||
      layer.data || rows.some((row) => known(row[layer.encoding.y.field])));
    if (spec.height.step) spec.height = spec.height.step * new Set(rows.map((r) => r.group)).size;
    await drawInto(drawing, spec);
  }
  // ---- histories
  const moving = { lining: /reline|drum/, stroke: /adjuster|reline/ };
  function unpackedHistory(packed) {
    let day = 0;
    return {
      ...packed, t: packed.t.map((step) => (day += step)),
      s: packed.s.map((value) => (known(value) ? value / 1e4 : null)),
    };
  }
  function historyData(id) {
    const i = ends.id.indexOf(id);
    if (i < 0 || !page.fleet.histories[id]) return null;
    const history = unpackedHistory(page.fleet.histories[id]);
    // Only work that moves the reading is drawn, and breaks its line; the table has all of it.
    const moves = (kind, at) => known(history.j[at]) && moving[kind].test(history.j[at]);
    const points = (kind, values) => {
      let run = 0;
      return values
        .map((value, at) => ({
          on: localDay(history.t[at]), value, run: moves(kind, at) ? run++ : run,
        }))
        .filter((point) => known(point.value));
    };
    const jobs = (kind) => history.t.flatMap((day, at) => moves(kind, at)
      ? [{ on: localDay(day), job: history.j[at].replaceAll("_", " ") }] : []);
    const now = (value, low, high) => known(value)
      ? [{ on: localDay(page.fleet.asOf), value, low, high }] : [];
    const half = ends.liningHalf[i] ?? 0;
    const reach = known(history.m) && known(ends.min_on_p10[i]) && known(ends.min_on_p90[i])
      ? [{ from: localDay(ends.min_on_p10[i]), to: localDay(Math.min(ends.min_on_p90[i], page.fleet.asOf + 1100)), value: history.m }]
      : [];
    return {
      i, history,
      lining: {
        readings: points("lining", history.l), jobs: jobs("lining"), 
        now: now(ends.lining[i], ends.lining[i] - half, ends.lining[i] + half),
        limits: known(history.m) ? [{ value: history.m }] : [], reach,
      },
      stroke: {
        readings: points("stroke", history.s), jobs: jobs("stroke"), 
        now: now(ends.stroke[i], ends.strokeLow[i], ends.strokeHigh[i]),
        limits: [], reach: [],
      },
    };
  }
  function historyTable(id, history) {
    const head = make("tr", {}, ...["Day", `Lining, ${page.lengthUnit}`, "Stroke / arm", "Work done"]
      .map((text) => make("th", { scope: "col" }, text)));
    const rows = history.t.map((day, at) => make("tr", {},
      make("th", { scope: "row" }, dayName(day)),
      ...[number(history.l[at], lengthDigits), percent(history.s[at], 1),
        (history.j[at] || "").replaceAll("_", " ")].map((text) => make("td", {}, text))));
    const hiddenName = make("span", { class: "hidden" }, ` of ${id}`);
    return make("details", {}, make("summary", {}, "Readings", hiddenName),
      make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": `Readings of ${id}` },
        make("table", {}, make("thead", {}, head), make("tbody", {}, ...rows))));
  }
  async function showHistory(place, id) {
    const data = historyData(id);
    place.replaceChildren();
    if (!data) {
      place.append(make("p", { class: "note" },
        "Its readings are not on this page. Ask the warehouse: ",
        make("code", {}, `select * from mart.histories where wheel_end_id = '${id.replaceAll("'", "''")}'`)));
      return;
    }
    const n = data.history.t.length;
    const words = {
      lining: `Lining of ${id}: ${n} readings, now ${length(ends.lining[data.i])}`,
      stroke: `Stroke of ${id} as a share of its arm: now ${percent(ends.stroke[data.i], 1)}`,
    };
    const places = {};
    for (const kind of ["lining", "stroke"]) {
      places[kind] = make("div", { class: "drawing", role: "img", "aria-label": words[kind] });
      place.append(places[kind]);
    }
    place.append(historyTable(id, data.history));
    for (const kind of ["lining", "stroke"]) {
      const fit = { type: "fit-x", contains: "padding" };
      const spec = { ...structuredClone(page.histories[kind]), width: "container", autosize: fit };
      spec.layer = spec.layer.filter((l) => data[kind][l.data.name]?.length !== 0);
      spec.datasets = { ...spec.datasets, ...data[kind] };
      await drawInto(places[kind], spec);
    }
  }
  function offerHistory(item) {
    const place = query(".history", item), id = item.dataset.id;
    if (!page.fleet.histories[id]) return;
    const button = make("button", { type: "button", class: "asked", "aria-expanded": "false" },
      "Show its history");
    button.append(make("span", { class: "hidden" }, `: ${id}`));
    button.addEventListener("click", async () => {
      item.classList.add("shown");
      await showHistory(place, id);
      query("summary", place).focus();
    });
    place.append(button);
  }

  // ---- the list of flags
  const flags = queryAll(".flags > li");
  const more = query("#more");
  let shown = firstShown;
  function listFlags(chosen) {
    const matching = flags.filter((f) => dimensions.every((d) => !chosen[d] || f.dataset[d] === chosen[d]));
    const visible = new Set(matching.slice(0, shown));
    // Those not shown yet stay for print, up to as many as paper should bear.
    const printed = new Set(matching.slice(0, Math.max(shown, page.printed)));
    for (const flag of flags) {
      flag.hidden = !printed.has(flag);
      flag.classList.toggle("later", printed.has(flag) && !visible.has(flag));
    }
    if (!more) return matching.length;
    query("#more-print").textContent = matching.length > printed.size
      ? `Printed here: the ${printed.size} most urgent of ${matching.length} on this page; all stand in worklist.xlsx and worklist.csv.`
      : "";
    const rest = matching.length - visible.size;
    query("button", more).hidden = rest <= 0;
    query("span", more).textContent =
      rest > 0 ? `${rest} more on this page` : `${matching.length} shown, none left out`;
    return matching.length;
  }
  if (more) query("button", more).addEventListener("click", () => {
    const next = flags.find((f) => f.classList.contains("later")) || flags.find((f) => f.hidden);
    shown += moreShown;
    listFlags(selection());
    if (next && !next.hidden) query("a", next).focus();
  });

  // ---- lists and the month in short follow the filter
  const isOf = (element, chosen) =>
    dimensions.every((d) => !chosen[d] || element.dataset[d] === chosen[d]);
  function narrowLists(chosen) {
    const any = dimensions.some((d) => chosen[d]);
    for (const list of queryAll("[data-listed]")) {
      const rows = queryAll("tbody tr", list);
      let kept = 0;
      for (const row of rows) {
        row.hidden = !isOf(row, chosen);
        kept += row.hidden ? 0 : 1;
      }
      const said = query(".listed-count", list);
      said.dataset.first ||= said.textContent;
      const words = dimensions.filter((d) => chosen[d]).map((d) => chosen[d]).join(", ");
      const whole = rows.length === Number(said.dataset.all) ? "" : " on this page";
      said.textContent = any ? `${kept} of these${whole} are of ${words}.` : said.dataset.first;
    }
  }
  function narrowShort(chosen) {
    const blocks = queryAll("[data-short]");
    const own = blocks.find((b) => b.dataset.short === (chosen.depot || "")) || blocks[0];
    for (const block of blocks) block.hidden = block !== own;
    const depot = own.dataset.short;
    query("#short-of").textContent = depot ? `: ${depot}` : "";
    const rest = [
      ...(chosen.depot && !depot ? ["all depots"] : []),
      ...["duty", "axle_type"].filter((d) => chosen[d]).map((d) => everywhere[d]),
    ];
    const scope = query("#short-scope");
    scope.textContent = rest.length ? `This part speaks of ${rest.join(" and ")}, whatever is selected above.` : "";
    scope.hidden = !rest.length;
  }

  // ---- chapters: one is seen, all are there, for print and for whoever has no scripts
  const chapters = queryAll(".chapter");
  function showChapter(name) {
    for (const chapter of chapters) chapter.classList.toggle("away", chapter.id !== name);
    for (const link of queryAll("[data-opens]")) {
      if (link.dataset.opens === name) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    document.documentElement.dataset.chapter = name;
  }
  function followChapter() {
    const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    const chapter = target && target.closest(".chapter");
    if (!chapter) return;
    showChapter(chapter.id);
    for (let up = target.closest("details"); up; up = up.parentElement.closest("details")) up.open = true;
    if (target === chapter) window.scrollTo(0, 0); else target.scrollIntoView();
  }

  // ---- find a unit
  const found = query("#found"), told = query("#told"), input = query("#find-text");
  const units = [...new Set(ends.unit)].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
  function unitOf(id) {
    const at = ends.id.indexOf(id);
    return at < 0 ? null : ends.unit[at];
  }
  function matches(text) {
    const wanted = text.trim().toLowerCase();
    if (!wanted) return [];
    const starts = units.filter((u) => u.toLowerCase().startsWith(wanted));
    const holds = units.filter((u) => !u.toLowerCase().startsWith(wanted) && u.toLowerCase().includes(wanted));
    const byEnd = ends.id.filter((id) => id.toLowerCase() === wanted).map(unitOf);
    return [...new Set([...byEnd, ...starts, ...holds])];
  }
  function notFound(text) {
    if (page.fleet.whole) return make("p", {}, `No unit of this fleet has an id like “${text}”.`);
    const quoted = text.replaceAll("'", "''");
    return make("p", {},
      `“${text}” is not among the units this page carries, those with the most urgent flags. Ask the warehouse: `,
      make("code", {}, `select * from mart.wheel_end_status where unit_id = '${quoted}'`));
  }
  function offer() {
    const text = input.value.trim();
    found.replaceChildren();
    told.textContent = "";
    if (!text) return;
    const hits = matches(text);
    if (!hits.length) found.append(notFound(text));
    for (const unit of hits.slice(0, mostFound)) {
      const button = make("button", { type: "button" }, unit);
      button.addEventListener("click", () => open(unit));
      found.append(button);
    }
    if (hits.length > mostFound) found.append(make("p", {}, `and ${hits.length - mostFound} more`));
    told.textContent = hits.length ? `${hits.length} units found` : "No unit found";
  }
  input.addEventListener("input", offer);
  query("#find").addEventListener("submit", (event) => {
    event.preventDefault();
    const hits = matches(input.value);
    if (hits.length) open(hits[0]); else offer();
  });

  // ---- one unit
  const panel = query("#unit"), panelBody = query("#unit-body");
  const evidenceOf = (id) => {
    const item = flags.find((f) => f.dataset.id === id);
    return item ? query(".evidence", item).textContent : "";
  };
  function endOfUnit(i) {
    const half = known(ends.liningHalf[i]) ? ` ± ${number(ends.liningHalf[i], lengthDigits)}` : "";
    const ratio = (value) => number(100 * value, 1);
    const stroke = known(ends.strokeLow[i])
      ? `${ratio(ends.strokeLow[i])} to ${ratio(ends.strokeHigh[i])} % of its arm` : "not read since it was set";
    const words = (d) => ends.words[d][ends[d][i]];
    const lining = known(ends.lining[i]) ? `${number(ends.lining[i], lengthDigits)}${half} ${page.lengthUnit} now` : known(ends.liningRead[i])
      ? `read ${length(ends.liningRead[i])} on ${dayName(ends.lining_read_on[i])}` : "not on record";
    const latest = known(ends.min_on_p90[i]) ? `to ${dayName(ends.min_on_p90[i])}` : "or later";
    const minimum = known(ends.lining[i]) && known(ends.min_on_p10[i])
      ? `at its minimum ${dayName(ends.min_on_p10[i])} ${latest}` : "no date for its minimum";
    const why = make("div", { class: "why" },
      make("p", { class: "head" }, make("strong", { class: "id" }, ends.id[i]),
        `${words("state")} (${words("axle_type")})`,
        ...(ends.flagged[i] ? [make("span", { class: "since" }, "flagged")] : [])),
      make("p", { class: "evidence" }, evidenceOf(ends.id[i])),
      make("p", { class: "meta" },
        `Lining ${lining}, ${minimum}. Stroke now ${stroke}; out of band by the next check: ` +
        `${percent(ends.out[i])}. Last seen ${dayName(ends.last_inspected_on[i])}.`));
    return make("li", { class: "shown", "data-id": ends.id[i] }, why, make("div", { class: "history" }));
  }
  async function openUnit(unit) {
    const rows = ends.unit.flatMap((u, i) => (u === unit ? [i] : []));
    const words = (d) => [...new Set(rows.map((i) => ends.words[d][ends[d][i]]).filter(Boolean))].join(", ");
    query("#unit-h").textContent = `Unit ${unit}`;
    const list = make("ol", { class: "flags" }, ...rows.map(endOfUnit));
    panelBody.replaceChildren(make("p", {}, [words("depot"), words("duty")].filter(Boolean).join("; ")), list);
    panel.hidden = false;
    panel.scrollIntoView();
    panel.focus({ preventScroll: true });
    for (const item of queryAll("li", list)) await showHistory(query(".history", item), item.dataset.id);
    panel.dataset.opened = unit;
  }
  const open = (unit) => { location.hash = `at/${encodeURIComponent(unit)}`; };
  function followHash() {
    if (!location.hash.startsWith("#at/")) { followChapter(); return; }
    let text = location.hash.slice(4);
    try { text = decodeURIComponent(text); } catch { /* a hand-typed address: taken as it is */ }
    const unit = units.includes(text) ? text : unitOf(text);
    if (unit !== null) { openUnit(unit); return; }
    input.value = text;
    offer();
    input.focus();
  }
  window.addEventListener("hashchange", followHash);
  query("#unit-close").addEventListener("click", () => {
    panel.hidden = true;
    history.replaceState(null, "", location.pathname + location.search);
    input.focus();
  });

  // ---- the filter
  async function narrowed() {
    const chosen = selection();
    shown = firstShown;
    const matching = listFlags(chosen);
    const any = dimensions.some((d) => chosen[d]);
    query("#clear").hidden = !any;
    told.textContent = any ? `${matching} flagged wheel ends match` : "Everything is shown";
    const count = query("#flag-count");
    count.dataset.first ||= count.textContent;
    const words = dimensions.filter((d) => chosen[d]).map((d) => chosen[d]).join(", ");
    count.textContent = any ? `${matching} flagged wheel ends on this page are of ${words}.` : count.dataset.first;
    narrowLists(chosen);
    narrowShort(chosen);
    for (const key of Object.keys(page.figures)) await drawFigure(key, chosen, true);
    document.documentElement.dataset.narrowed = JSON.stringify(chosen);
  }
  for (const d of dimensions) selects[d].addEventListener("change", narrowed);
  query("#clear").addEventListener("click", () => {
    for (const d of dimensions) selects[d].value = "";
    narrowed();
    selects.depot.focus();
  });

  // ---- first drawing: what is seen first, first, with room between for whoever scrolls already
  const breath = () => new Promise((resolve) => { setTimeout(resolve); });
  async function start() {
    for (const d of dimensions) selects[d].value = "";
    showChapter("month");
    followChapter();
    listFlags(selection());
    flags.forEach(offerHistory);
    for (const key of Object.keys(page.figures)) {
      await drawFigure(key, selection(), false);
      await breath();
    }
    followHash();
    document.documentElement.dataset.drawn = "yes";
  }
  start();
})();
