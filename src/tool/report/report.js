// Draws the report's charts from the figures beside it, with D3 (4 to 7). What stands in tables stands there without this.
"use strict";
(() => {
  if (typeof d3 === "undefined") {
    return;
  }
  const data = JSON.parse(document.getElementById("figures").textContent);
  const MOST_SERIES = 6;
  const PRINT_WIDTH = 680;
  const DASHES = ["", "7 3", "2 3", "9 3 2 3", "5 5", "1 2"];
  const SHAPES = [d3.symbolCircle, d3.symbolSquare, d3.symbolTriangle, d3.symbolDiamond, d3.symbolStar, d3.symbolCross];
  const charts = [];

  // ---- figures ----

  // With a true minus sign, and none before what rounds to 0.
  function fixed(value, decimals) {
    const text = Math.abs(value).toFixed(decimals);
    return value < 0 && Number(text) !== 0 ? `−${text}` : text;
  }
  const money = (value) => fixed(value, 2);
  const percent = (value) => `${fixed(100 * value, 0)} %`;
  const kwh = (value) => `${Number(value.toPrecision(4))} kWh`;
  const known = (value) => value !== null && value !== undefined;
  const strategies = data.strategies.filter((it) => data.results.some((r) => r.strategy === it));
  const hasBattery = (strategy) => data.results.some((r) => r.strategy === strategy && r.kind !== "none");
  const best = data.cheapest || data.results[0];

  function find(tariff, strategy, size) {
    return data.results.find((r) => r.tariff === tariff && r.strategy === strategy && (r.kind === "none" || r.battery_kwh === size));
  }

  // Tariffs by what the choice costs with them, cheapest first.
  function rank(strategy, size, tariffs) {
    const cost = new Map(tariffs.map((it) => [it, find(it, strategy, size).total_cost]));
    return tariffs.slice().sort((a, b) => cost.get(a) - cost.get(b));
  }

  // Charts show no more tariffs than can be told apart. Each keeps its colour, dash and shape in all of them.
  const drawn = rank(best.strategy, best.battery_kwh || data.sizes[0], data.tariffs).slice(0, MOST_SERIES);
  const place = (tariff) => drawn.indexOf(tariff);
  const rankDrawn = (strategy, size) => rank(strategy, size, drawn);
  const someOf = drawn.length < data.tariffs.length ? `the ${drawn.length} cheapest of ${data.tariffs.length} tariffs` : "";

  // ---- parts of a page ----

  function add(parent, name, attributes, text) {
    const it = document.createElement(name);
    Object.entries(attributes || {}).forEach(([key, value]) => it.setAttribute(key, value));
    if (text !== undefined) {
      it.textContent = text;
    }
    parent.append(it);
    return it;
  }

  // A choice among names; nothing to see where there is but one.
  function choose(box, label, names, chosen, show, changed) {
    const frame = add(box, "label", {}, `${label} `);
    const select = add(frame, "select");
    names.forEach((it) => add(select, "option", { value: it }, show ? show(it) : it));
    select.selectedIndex = Math.max(0, names.indexOf(chosen));
    frame.style.display = names.length < 2 ? "none" : "";
    select.addEventListener("change", changed);
    return () => names[select.selectedIndex];
  }

  function fillTable(table, heads, rows) {
    table.querySelectorAll("thead, tbody").forEach((it) => it.remove());
    const head = add(add(table, "thead"), "tr");
    heads.forEach((it, i) => add(head, "th", i ? { scope: "col", class: "n" } : { scope: "col" }, it));
    const body = add(table, "tbody");
    rows.forEach((cells) => {
      const row = add(body, "tr");
      cells.forEach((it, i) => add(row, i ? "td" : "th", i ? { class: "n" } : { scope: "row", class: "way" }, it));
    });
  }

  function addTable(figure, title) {
    const details = add(figure, "details");
    add(details, "summary", {}, title);
    const frame = add(details, "div", { class: "table", tabindex: "0", role: "region", "aria-label": title });
    return add(frame, "table", { "aria-label": title });
  }

  function legend(box, entries) {
    box.replaceChildren();
    entries.forEach(({ name, draw }) => {
      const item = add(box, "li");
      draw(d3.select(item).append("svg").attr("aria-hidden", "true").attr("viewBox", "0 0 28 16"));
      add(item, "span", {}, name);
    });
  }

  const drawMark = (i, open) => (svg) => mark(svg.append("g").attr("transform", "translate(14,8)"), i, open);
  const drawLine = (i) => (svg) => {
    svg.append("path").attr("class", `line s${i}`).attr("stroke-dasharray", DASHES[i]).attr("d", "M0,8H28");
    mark(svg.append("g").attr("transform", "translate(14,8)"), i, false);
  };
  const drawBox = (name) => (svg) => svg.append("rect").attr("class", name).attr("y", 2).attr("width", 28).attr("height", 12);
  const drawStroke = (name, dash) => (svg) => svg.append("path").attr("class", `line ${name}`)
    .attr("stroke-dasharray", dash || "").attr("d", "M0,8H28");

  function mark(group, i, open) {
    const round = Math.floor(i / MOST_SERIES);
    return group.append("path").attr("class", `mark s${i % MOST_SERIES}${open ? " open" : ""}`)
      .attr("d", d3.symbol().type(SHAPES[(i + round) % MOST_SERIES]).size(90)());
  }

  // A figure with choices, a drawing that fits its width, and a legend.
  function start(name) {
    const figure = document.querySelector(`[data-chart="${name}"]`);
    figure.hidden = false;
    const of = figure.querySelector(".of");
    const choices = add(figure, "div", { class: "choices" });
    const key = add(figure, "ul", { class: "legend" });
    const frame = add(figure, "div", { class: "drawing" });
    const chart = {
      figure, choices, key, draw: () => {},
      say: (...texts) => {
        const told = texts.filter((it) => it).join(", ");
        of.textContent = told ? `: ${told}` : "";
      },
      canvas(height, text, paper) {
        const width = paper || Math.max(280, Math.floor(frame.clientWidth));
        frame.replaceChildren();
        const svg = d3.select(frame).append("svg").attr("role", "img").attr("aria-label", text)
          .attr("viewBox", `0 0 ${width} ${height}`);
        return { svg, width, height };
      },
    };
    charts.push(chart);
    return chart;
  }

  // ---- parts of a chart ----

  // D3's own labels, with a true minus sign.
  const signed = (scale, count) => {
    const format = scale.tickFormat(count);
    return (value) => format(value).replace("-", "−");
  };
  const niceTicks = (width) => Math.max(2, Math.floor(width / 90));

  function axisLeft(svg, y, left, right, count) {
    y.ticks(count).forEach((it) => svg.append("line").attr("class", it === 0 ? "zero" : "grid")
      .attr("x1", left).attr("x2", right).attr("y1", y(it)).attr("y2", y(it)));
    svg.append("g").attr("class", "axis").attr("transform", `translate(${left},0)`)
      .call(d3.axisLeft(y).ticks(count).tickSize(0).tickPadding(6).tickFormat(signed(y, count)))
      .select(".domain").remove();
  }

  function axisBottom(svg, x, top, bottom, format) {
    const count = niceTicks(x.range()[1] - x.range()[0]);
    x.ticks(count).forEach((it) => svg.append("line").attr("class", it === 0 ? "zero" : "grid")
      .attr("y1", top).attr("y2", bottom).attr("x1", x(it)).attr("x2", x(it)));
    svg.append("g").attr("class", "axis").attr("transform", `translate(0,${bottom})`)
      .call(d3.axisBottom(x).ticks(count).tickSize(0).tickPadding(8).tickFormat(format || signed(x, count))).select(".domain").remove();
  }

  function span(values, around) {
    const [low, high] = d3.extent(values.concat(around === undefined ? [] : around));
    const margin = (high - low || Math.abs(high) || 1) * 0.05;
    return [low - margin, high + margin];
  }

  // A name that is too long for its place is cut, and shown whole where the pointer rests.
  function fit(text, name, width) {
    const most = Math.floor(width / 7.5);
    text.text(name.length > most ? `${name.slice(0, most - 1)}…` : name).append("title").text(name);
  }

  // A row of marks for each name; every mark carries its own words.
  function drawDots(chart, paper, { rows, domain, format, words }) {
    const rowHeight = 44, top = 8, bottom = 28;
    const { svg, width, height } = chart.canvas(top + bottom + rowHeight * rows.length, words, paper);
    const x = d3.scaleLinear().domain(domain).range([14, width - 14]);
    axisBottom(svg, x, top, height - bottom, format);
    rows.forEach((row, r) => {
      const middle = top + rowHeight * r + 30;
      fit(svg.append("text").attr("x", 2).attr("y", middle - 14), row.name, width);
      svg.append("line").attr("class", "grid").attr("x1", 0).attr("x2", width).attr("y1", middle).attr("y2", middle);
      row.marks.forEach(({ value, series, open, text }) => {
        const at = Math.max(domain[0], Math.min(domain[1], value));
        mark(svg.append("g").attr("transform", `translate(${x(at)},${middle})`), series, open).append("title").text(text);
      });
    });
  }

  // Lines over places or numbers; each has its dash and shape beside its colour.
  function drawLines(chart, paper, { series, x, y, ticks, format, words, rays }) {
    const height = 320, top = 10, bottom = 30, left = 46, right = 32;
    const { svg, width } = chart.canvas(height, words, paper);
    x.range([left + right, width - right]);
    y.range([height - bottom, top]);
    axisLeft(svg, y, left, width, 5);
    svg.append("g").attr("class", "axis").attr("transform", `translate(0,${height - bottom})`)
      .call(d3.axisBottom(x).tickValues(thin(ticks, width - left)).tickSize(0).tickPadding(8).tickFormat(format))
      .select(".domain").remove();
    (rays || []).forEach((ray) => drawRay(svg, ray, x, y));
    series.forEach((it) => drawSeries(svg, it, x, y));
  }

  function thin(values, width) {
    const every = Math.max(1, Math.ceil(values.length * 58 / width));
    return values.filter((_, i) => i % every === 0);
  }

  function drawSeries(svg, { name, i, points }, x, y) {
    const line = d3.line().x((p) => x(p.x)).y((p) => y(p.y));
    svg.append("path").attr("class", `line s${i}`).attr("stroke-dasharray", DASHES[i]).attr("d", line(points));
    points.forEach((p) => mark(svg.append("g").attr("transform", `translate(${x(p.x)},${y(p.y)})`), i, false)
      .append("title").text(`${name}, ${p.text}`));
  }

  function drawRay(svg, { name, points }, x, y) {
    const inside = points.filter((p) => p.y <= y.domain()[1]);
    if (inside.length > 0) {
      const last = inside[inside.length - 1];
      svg.append("path").attr("class", "ray").attr("d", d3.line().x((p) => x(p.x)).y((p) => y(p.y))(inside));
      svg.append("text").attr("class", "soft").attr("x", x(last.x)).attr("y", y(last.y) - 5).attr("text-anchor", "end").text(name);
    }
  }

  // ---- total costs ----

  function costs() {
    const chart = start("costs");
    const size = chooseSize(chart);
    chart.draw = (paper) => {
      const rows = rankDrawn(best.strategy, size()).map((tariff) => ({ name: tariff, marks: strategies.map((strategy) => {
        const run = find(tariff, strategy, size());
        return { value: run.total_cost, ...strategyMark(run), text: `${tariff}, ${strategy}: ${money(run.total_cost)} ${data.currency}` };
      }) }));
      chart.say(data.currency, hasSizes() && kwh(size()), someOf);
      legend(chart.key, strategies.map((it, i) => ({ name: it, draw: drawMark(i, isForesight(it)) })));
      const values = rows.flatMap((row) => row.marks.map((it) => it.value));
      drawDots(chart, paper, { rows, domain: span(values),
        words: `Marks of the total cost in ${data.currency}. Cheapest first: ${rows.map((row) => row.name).join(", ")}. ` +
          "The tables give every figure." });
    };
  }

  const isForesight = (strategy) => data.results.some((r) => r.strategy === strategy && r.kind === "foresight");
  const strategyMark = (run) => ({ series: strategies.indexOf(run.strategy), open: run.kind === "foresight" });
  const hasSizes = () => data.sizes.length > 1;

  function chooseSize(chart) {
    return choose(chart.choices, "Battery", data.sizes, best.battery_kwh || data.sizes[0], kwh, () => chart.draw());
  }

  function chooseStrategy(chart, names) {
    return choose(chart.choices, "Strategy", names, names.includes(best.strategy) ? best.strategy : names[0], null, () => chart.draw());
  }

  // ---- months ----

  function months() {
    const chart = start("months");
    const strategy = chooseStrategy(chart, strategies);
    const size = chooseSize(chart);
    const table = document.getElementById("months-table");
    chart.draw = (paper) => {
      const shown = rankDrawn(strategy(), size());
      const runs = shown.map((it) => find(it, strategy(), size()));
      const names = runs[0].months.map((it) => it.month);
      chart.say(data.currency, way(strategy(), size()), someOf);
      legend(chart.key, shown.map((it) => ({ name: it, draw: drawLine(place(it)) })));
      drawLines(chart, paper, { x: d3.scalePoint().domain(names), ticks: names,
        y: d3.scaleLinear().domain(span(runs.flatMap((run) => run.months.map((it) => it.cost)))).nice(),
        format: (it) => it.slice(2), series: runs.map((run) => ({ name: run.tariff, i: place(run.tariff),
          points: run.months.map((it) => ({ x: it.month, y: it.cost, text: `${it.month}: ${money(it.cost)} ${data.currency}` })) })),
        words: `Cost in ${data.currency} of each month from ${names[0]} to ${names[names.length - 1]}. ` +
          `${runs.map(monthWords).join(" ")} The table below gives every figure.` });
      fillTable(table, ["month"].concat(shown), names.map((name, i) => [name].concat(runs.map((run) => money(run.months[i].cost)))));
      document.getElementById("months-caption").textContent = `Cost of each month in ${data.currency}: ${way(strategy(), size())}`;
    };
  }

  const way = (strategy, size) => (hasBattery(strategy) ? `${strategy}, ${kwh(size)}` : strategy);

  function monthWords(run) {
    const order = run.months.slice().sort((a, b) => a.cost - b.cost);
    const low = order[0], high = order[order.length - 1];
    return `${run.tariff}: least ${money(low.cost)} in ${low.month}, most ${money(high.cost)} in ${high.month}.`;
  }

  // ---- battery ----

  function battery() {
    const names = strategies.filter((it) => hasBattery(it) && !isForesight(it));
    if (names.length === 0) {
      return;
    }
    const chart = start("battery");
    const strategy = chooseStrategy(chart, names);
    chart.draw = (paper) => {
      const shown = rankDrawn(strategy(), data.sizes[0]);
      chart.say(data.currency, strategy(), someOf);
      legend(chart.key, shown.map((it) => ({ name: it, draw: hasSizes() ? drawLine(place(it)) : drawMark(place(it)) })));
      const series = shown.map((tariff) => ({ name: tariff, i: place(tariff),
        points: data.sizes.map((size) => saving(tariff, strategy(), size)) }));
      (hasSizes() ? drawSizes : drawOneSize)(chart, paper, series);
    };
  }

  function saving(tariff, strategy, size) {
    const run = find(tariff, strategy, size);
    const payback = known(run.payback_years) ? `, paid for in ${run.payback_years.toFixed(1)} years` : "";
    return { x: size, y: run.saving_per_year_before_wear,
      text: `${kwh(size)}: ${money(run.saving_per_year_before_wear)} ${data.currency} a year${payback}` };
  }

  function savingWords(series) {
    const each = series.map((it) => `${it.name}, ${it.points.map((p) => p.text).join("; ")}.`);
    return `Saving in ${data.currency} a year. ${each.join(" ")}`;
  }

  function drawSizes(chart, paper, series) {
    const values = series.flatMap((it) => it.points.map((p) => p.y));
    const x = d3.scaleLinear().domain(d3.extent(data.sizes));
    drawLines(chart, paper, { x, y: d3.scaleLinear().domain(span(values, 0)).nice(), ticks: data.sizes, format: kwh,
      series: series.map((it) => ({ ...it, points: it.points.slice().sort((a, b) => a.x - b.x) })),
      rays: rays(), words: savingWords(series) });
  }

  // Where a price is known: what must be saved in a year for the battery to have paid for itself after so many.
  function rays() {
    const priced = data.sizes.map((size) => data.results.find((r) => r.battery_kwh === size && known(r.battery_price)));
    return priced.every(known) ? [5, 10, 15].map((years) => ({ name: `paid for in ${years} years`,
      points: priced.map((r) => ({ x: r.battery_kwh, y: r.battery_price / years })).sort((a, b) => a.x - b.x) })) : [];
  }

  function drawOneSize(chart, paper, series) {
    const rows = series.map((it) => ({ name: `${it.name}: ${money(it.points[0].y)}`,
      marks: [{ value: it.points[0].y, series: it.i, text: `${it.name}, ${it.points[0].text}` }] }));
    drawDots(chart, paper, { rows, domain: span(series.map((it) => it.points[0].y), 0), words: savingWords(series) });
  }

  // ---- share of foresight ----

  function share() {
    const names = strategies.filter((it) => hasBattery(it) && !isForesight(it));
    if (names.length === 0) {
      return;
    }
    const chart = start("share");
    const size = chooseSize(chart);
    chart.draw = (paper) => {
      const rows = rankDrawn(best.strategy, size()).map((tariff) => ({ name: shareName(find(tariff, names[0], size())),
        marks: names.map((it) => find(tariff, it, size())).filter((run) => known(run.share_of_foresight)).map(shareMark) }));
      chart.say(hasSizes() && kwh(size()), someOf);
      legend(chart.key, names.map((it) => ({ name: it, draw: drawMark(strategies.indexOf(it)) })));
      const least = d3.min(rows.flatMap((row) => row.marks.map((it) => it.value))) || 0;
      const low = Math.max(-1, Math.min(0, least));
      drawDots(chart, paper, { rows, domain: [low - 0.05, 1.05], format: (it) => percent(it), words: shareWords(rows, least < low) });
    };
  }

  const shareMark = (run) => ({ value: run.share_of_foresight, ...strategyMark(run),
    text: `${run.tariff}, ${run.strategy}: ${percent(run.share_of_foresight)}` });

  function shareName(run) {
    return `${run.tariff}${run.foresight_is_bound ? "" : " (no bound)"}: foresight saves ${money(run.foresight_gain)}`;
  }

  function shareWords(rows, cut) {
    const beyond = cut ? " Shares below −100 % stand at the left edge." : "";
    const each = rows.map((row) => row.marks.map((it) => it.text).join("; ")).filter((it) => it);
    return `Share of what foresight saves against follow. ${each.join(". ")}.${beyond}`;
  }

  // ---- a week ----

  function week() {
    const runs = data.weeks[0].runs;
    const chart = start("week");
    const names = (key) => Array.from(new Set(runs.map((it) => it[key])));
    const again = () => chart.draw();
    const what = choose(chart.choices, "Week", data.weeks.map((it) => it.what), data.weeks[0].what, null, again);
    const tariff = choose(chart.choices, "Tariff", names("tariff"), best.tariff, null, again);
    const strategy = choose(chart.choices, "Strategy", names("strategy"), best.strategy, null, again);
    const moment = add(chart.figure, "input", { type: "range", min: "0", "aria-label": "Moment of the week" });
    const told = add(chart.figure, "output", { "aria-live": "off" });
    const table = addTable(chart.figure, "The week by day");
    chart.draw = (paper) => {
      const it = data.weeks.find((w) => w.what === what());
      const run = it.runs.find((r) => r.tariff === tariff() && r.strategy === strategy()) || it.runs[0];
      const price = it.prices.find((p) => p.tariff === run.tariff);
      chart.say(it.what, `${it.days[0].name} to ${it.days[it.days.length - 1].name}`, run.tariff, run.strategy, kwh(run.battery_kwh));
      legend(chart.key, weekLegend());
      const point = drawWeek(chart, paper, it, run, price);
      moment.max = it.house_kw.length - 1;
      const tell = () => {
        point(+moment.value);
        told.textContent = weekWords(it, run, price, +moment.value);
        moment.setAttribute("aria-valuetext", told.textContent);
      };
      moment.oninput = tell;
      chart.pick = (i) => { moment.value = i; tell(); };
      tell();
      fillTable(table, dayHeads(), it.days.map((_, d) => dayRow(it, run, price, d)));
    };
  }

  const weekLegend = () => [{ name: "import price", draw: drawStroke("s0") }, { name: "export price", draw: drawStroke("s1", DASHES[1]) },
    { name: "house", draw: drawStroke("house") }, { name: "sun", draw: drawBox("sun") }, { name: "battery charges", draw: drawBox("in") },
    { name: "battery discharges (below 0)", draw: drawBox("out") }, { name: "stored", draw: drawBox("store") }];

  function weekWords(it, run, price, i) {
    const b = run.battery_kw[i];
    const doing = b > 0.0005 ? `charges with ${b.toFixed(2)} kW` : b < -0.0005 ? `discharges with ${(-b).toFixed(2)} kW` : "rests";
    const clock = `${String(Math.floor(it.minute[i] / 60)).padStart(2, "0")}:${String(it.minute[i] % 60).padStart(2, "0")}`;
    const prices = `import ${fixed(price.import[i], 3)}, export ${fixed(price.export[i], 3)} ${data.currency}/kWh`;
    const powers = `house ${fixed(it.house_kw[i], 2)} kW, sun ${fixed(it.solar_kw[i], 2)} kW`;
    return `${it.days[it.day[i]].name}, ${clock}: ${prices}; ${powers}; the battery ${doing} and holds ${fixed(run.stored_kwh[i], 1)} kWh.`;
  }

  // Three drawings over one axis of time: money per kWh, kW, kWh. Returns what moves the cursor.
  function drawWeek(chart, paper, it, run, price) {
    const left = 46, height = 500;
    const { svg, width } = chart.canvas(height, weekSummary(it, run, price), paper);
    const count = it.house_kw.length;
    const x = d3.scaleLinear().domain([0, count]).range([left, width - 4]);
    const step = d3.line().x((_, i) => x(i)).curve(d3.curveStepAfter);
    drawDays(svg, it, x, height);
    drawPrices(svg, price, step, x);
    drawPowers(svg, it, run, x);
    drawStored(svg, run, x);
    const cursor = svg.append("line").attr("class", "cursor").attr("y1", 20).attr("y2", height - 28);
    svg.node().addEventListener("pointermove", (event) => {
      const box = svg.node().getBoundingClientRect();
      chart.pick(Math.max(0, Math.min(count - 1, Math.floor(x.invert((event.clientX - box.left) * width / box.width)))));
    });
    return (i) => cursor.attr("x1", x(i + 0.5)).attr("x2", x(i + 0.5));
  }

  function drawDays(svg, it, x, height) {
    it.days.forEach((day) => svg.append("line").attr("class", "grid").attr("y1", 20).attr("y2", height - 28)
      .attr("x1", x(day.first)).attr("x2", x(day.first)));
    const name = (day) => (x.range()[1] > 800 ? day.name : x.range()[1] > 560 ? day.name.replace(/ \d+-/, " ") : day.name.slice(0, 2));
    it.days.forEach((day) => svg.append("text").attr("class", "soft").attr("x", x(day.first) + 3).attr("y", height - 10)
      .text(name(day)));
  }

  // A step reaches up to the next point: the last one needs one more.
  const toTheEnd = (values) => values.concat(values[values.length - 1]);

  const title = (svg, y, text) => svg.append("text").attr("class", "soft").attr("x", 0).attr("y", y).text(text);

  function drawPrices(svg, price, step, x) {
    const y = d3.scaleLinear().domain(span(price.import.concat(price.export), 0)).range([130, 24]);
    title(svg, 12, `Price, ${data.currency}/kWh`);
    axisLeft(svg, y, x.range()[0], x.range()[1], 4);
    const series = [[price.export, 1], [price.import, 0]];
    series.forEach(([values, i]) => svg.append("path").attr("class", `line s${i}`).attr("stroke-dasharray", DASHES[i])
      .attr("d", step.y((value) => y(value))(toTheEnd(values))));
  }

  function drawPowers(svg, it, run, x) {
    const y = d3.scaleLinear().domain(span(it.house_kw.concat(it.solar_kw, run.battery_kw), 0)).nice().range([340, 172]);
    title(svg, 158, "Power, kW");
    axisLeft(svg, y, x.range()[0], x.range()[1], 5);
    const area = d3.area().x((_, i) => x(i)).y0(y(0)).y1((value) => y(value)).curve(d3.curveStepAfter);
    const line = d3.line().x((_, i) => x(i)).y((value) => y(value)).curve(d3.curveStepAfter);
    svg.append("path").attr("class", "sun").attr("d", area(toTheEnd(it.solar_kw)));
    run.battery_kw.forEach((value, i) => {
      if (value !== 0) {
        svg.append("rect").attr("class", value > 0 ? "in" : "out").attr("x", x(i)).attr("width", Math.max(1, x(1) - x(0)))
          .attr("y", Math.min(y(0), y(value))).attr("height", Math.abs(y(value) - y(0)));
      }
    });
    svg.append("path").attr("class", "line house").attr("d", line(toTheEnd(it.house_kw)));
  }

  function drawStored(svg, run, x) {
    const y = d3.scaleLinear().domain([0, run.battery_kwh]).range([472, 384]);
    title(svg, 370, "Stored, kWh");
    axisLeft(svg, y, x.range()[0], x.range()[1], 3);
    const area = d3.area().x((_, i) => x(i)).y0(y(0)).y1((value) => y(value));
    svg.append("path").attr("class", "store").attr("d", area([run.stored_before_kwh].concat(run.stored_kwh)));
  }

  // ---- the week in figures ----

  const dayHeads = () => ["day", "house kWh", "sun kWh", "bought kWh", "sold kWh", "charged kWh", "discharged kWh",
    `mean import price ${data.currency}/kWh`];

  function daySum(it, d, value) {
    let sum = 0;
    for (let i = 0; i < it.day.length; i++) {
      sum += it.day[i] === d ? value(i) * it.step_minutes / 60 : 0;
    }
    return sum;
  }

  function dayRow(it, run, price, d) {
    const hours = daySum(it, d, () => 1);
    const sums = [(i) => it.house_kw[i], (i) => it.solar_kw[i], (i) => Math.max(0, run.grid_kw[i]), (i) => Math.max(0, -run.grid_kw[i]),
      (i) => Math.max(0, run.battery_kw[i]), (i) => Math.max(0, -run.battery_kw[i])].map((value) => daySum(it, d, value).toFixed(1));
    return [it.days[d].name].concat(sums, (daySum(it, d, (i) => price.import[i]) / hours).toFixed(3));
  }

  function weekSummary(it, run, price) {
    const total = (value) => d3.sum(it.days.map((_, d) => daySum(it, d, value))).toFixed(0);
    const prices = `import prices from ${fixed(d3.min(price.import), 3)} to ${fixed(d3.max(price.import), 3)} ${data.currency}/kWh`;
    const given = `the house takes ${total((i) => it.house_kw[i])} kWh, the sun gives ${total((i) => it.solar_kw[i])} kWh`;
    const charged = total((i) => Math.max(0, run.battery_kw[i])), back = total((i) => Math.max(0, -run.battery_kw[i]));
    return `${it.what} with ${run.tariff} and ${run.strategy}: ${prices}; ${given}, the battery is charged with ${charged} kWh and ` +
      `gives back ${back} kWh. Below it are a slider for single moments and a table of the days.`;
  }

  // ---- all of it ----

  costs();
  months();
  if (data.weeks.length > 0 && data.weeks[0].runs.length > 0) {
    week();
  }
  battery();
  share();
  const drawAll = (paper) => charts.forEach((it) => it.draw(paper));
  let width = 0;
  new ResizeObserver(() => {
    if (document.body.clientWidth !== width) {
      width = document.body.clientWidth;
      drawAll();
    }
  }).observe(document.body);
  window.addEventListener("beforeprint", () => drawAll(PRINT_WIDTH));
  window.addEventListener("afterprint", () => drawAll());
  width = document.body.clientWidth;
  drawAll();
  document.documentElement.setAttribute("data-drawn", "");
})();
