// What typical sites of each kind would get at the costs and the tolerated chance asked for. No framework, no network.
"use strict";
(() => {
  const block = document.getElementById("what-if-data");
  if (!block) return;
  const data = JSON.parse(block.textContent);
  const WEEK = 7, MOST_VISITS = 4, ns = [1, 2, 3, 4];
  const weeks = Array.from({ length: data.weeks }, (_, i) => data.first + i);
  const at = (id) => document.getElementById(id);

  // ---- the choice, as the analysis makes it: hard limits first, then cost -------------------------------------------

  function allowedWeeks(kind) {
    const within = weeks.map((w) => w * WEEK >= data.shortest && w * WEEK <= data.longest && w * WEEK <= kind.most);
    if (within.includes(true)) return within;
    const forced = Math.min(Math.max(Math.floor(kind.most / WEEK), 1), weeks[weeks.length - 1]);
    return weeks.map((w) => w === forced);
  }

  function longestWithin(chances, limit) {
    const first = chances.findIndex((chance) => chance > limit);
    return first < 0 ? Infinity : first * WEEK;
  }

  function chanceAsked(unit, tolerated) {
    const asked = tolerated ?? unit.limit;
    return unit.uv ? Math.min(asked, unit.limit) : asked;
  }

  // where even the shortest visits leave a part likelier spent than is tolerated: the chance left, else null
  function chanceLeft(unit, weeksIn, tolerated) {
    const asked = chanceAsked(unit, tolerated);
    if (asked >= 1 || !unit.chances.length) return null;
    const left = unit.chances[Math.min(weeksIn, unit.chances.length) - 1];
    return left > asked ? left : null;
  }

  function longestDays(unit, shortest, tolerated) {
    const asked = chanceAsked(unit, tolerated);
    let soft = unit.beyond ?? Infinity;
    if (unit.held) soft = Math.min(soft, unit.today);
    if (asked < 1 && unit.chances.length) soft = Math.min(soft, longestWithin(unit.chances, asked) - unit.late);
    return Math.min(unit.longest ?? Infinity, Math.max(soft, shortest));
  }

  function unitCosts(unit, limit, callout) {
    return weeks.map((w, i) => {
      const fits = ns.filter((n) => w * WEEK * n <= limit);
      const kept = unit.held ? fits.slice(-1) : fits;
      return ns.map((n) => (kept.includes(n) ? unit.callouts[n - 1][i] * callout + unit.other[n - 1][i] : Infinity));
    });
  }

  const lowest = (values) => values.reduce((best, value, i) => (value < values[best] ? i : best), 0);

  function answer(kind, { trip, callout, tolerated }) {
    const ok = allowedWeeks(kind), shortest = weeks[ok.indexOf(true)] * WEEK;
    const costs = kind.units.map((unit) => unitCosts(unit, longestDays(unit, shortest, tolerated), callout));
    const trips = weeks.map((w) => data.year / (w * WEEK) * trip * kind.share);
    const sum = (i, every) => (ok[i] ? costs.reduce((all, own, u) => all + own[i][every[u] - 1], trips[i]) : Infinity);
    const most = (own) => own.reduce((last, cost, k) => (cost < Infinity ? k + 1 : last), 1);
    const options = weeks.map((_, i) => [
      costs.map((own) => lowest(own[i]) + 1),
      ...ns.map((n) => costs.map((own) => Math.min(n, most(own[i])))),
    ]);
    const curve = weeks.map((_, i) => sum(i, options[i][0]));
    const least = Math.min(...weeks.map((_, i) => Math.min(...options[i].map((every) => sum(i, every)))));
    const limit = least * (1 + data.near);
    let best = null;
    for (let o = 0; o <= MOST_VISITS; o += 1) {
      for (let i = 0; i < weeks.length; i += 1) {
        const every = options[i][o], total = sum(i, every), different = new Set(every).size;
        if (total > limit) continue;
        if (!best || different < best.different || (different === best.different && total < best.total)) {
          best = { i, every, total, different };
        }
      }
    }
    best = customary(kind, ok, costs, sum, limit) ?? best;
    const low = least * (1 + data.near), near = weeks.filter((_, i) => curve[i] <= low);
    const called = kind.units.reduce((all, unit, u) => all + (unit.callouts[best.every[u] - 1][best.i] ?? 0), 0);
    return {
      week: weeks[best.i], every: best.every, cost: best.total, callouts: called, curve,
      trips: data.year / (weeks[best.i] * WEEK) * kind.share, near: [near[0], near[near.length - 1]],
      last: weeks[ok.lastIndexOf(true)],
      unkept: kind.units.map((unit, u) => chanceLeft(unit, weeks[best.i] * best.every[u], tolerated)),
    };
  }

  // among plans that cost nearly the same the trade's usual one is kept
  function customary(kind, ok, costs, sum, limit) {
    const shortest = Math.min(...kind.units.map((unit) => unit.customary));
    const i = weeks.reduce((last, w, k) => (ok[k] && w * WEEK <= shortest ? k : last), -1);
    if (i < 0) return null;
    const every = kind.units.map((unit, u) => ns.filter(
      (n) => costs[u][i][n - 1] < Infinity && weeks[i] * WEEK * n <= unit.customary).pop());
    if (every.includes(undefined)) return null;
    const total = sum(i, every);
    return total <= limit ? { i, every, total } : null;
  }

  // ---- words --------------------------------------------------------------------------------------------------------

  const even = (x) => { const low = Math.floor(x), left = x - low; return left < .5 || (left === .5 && low % 2 === 0) ? low : low + 1; };
  const whole = (x) => even(x).toLocaleString("en-US");
  const amount = (x) => (Math.abs(x) < 20 ? x.toFixed(1) : whole(x));
  function money(x) {
    if (Math.abs(x) < 2.5) return "0";
    const step = Math.max(5, 10 ** (Math.floor(Math.log10(Math.abs(x))) - 1));
    return `${x < 0 ? "−" : ""}${(even(Math.abs(x) / step) * step).toLocaleString("en-US")}`;
  }
  const inWeeks = (n) => `${n} week${n === 1 ? "" : "s"}`;
  const range = ([low, high]) => (low === high ? `${low}` : `${low} to ${high}`);
  const visits = ["every visit", "every 2nd visit", "every 3rd visit", "every 4th visit"];

  function unitTold(unit, every, week) {
    const bound = unit.longest && unit.by ? `; never past ${inWeeks(Math.floor(unit.longest / WEEK))} (${unit.by})` : "";
    return `${unit.name}: ${visits[every - 1]}, ${inWeeks(week * every)}${bound}`;
  }

  function told(kind, found) {
    return `Typical interval at ${kind.sites} such site${kind.sites === 1 ? "" : "s"}: ${inWeeks(found.week)}; `
      + `${range(found.near)} weeks cost within 2 % of the lowest. ${data.currency} ${money(found.cost)} a site and year, `
      + `with ${amount(found.callouts)} call-outs.`;
  }

  const inHundred = (chance) => `${Math.ceil(Math.round(chance * 1e6) / 1e3) / 10} in 100`;

  function unkeptTold(kind, found, tolerated) {
    const parts = kind.units.flatMap((unit, u) => (found.unkept[u] === null ? [] : [
      `${unit.name}, ${inHundred(found.unkept[u])} against ${inHundred(chanceAsked(unit, tolerated))} tolerated`]));
    return parts.length ? `Even with visits every ${inWeeks(found.week)} the tolerated chance cannot be kept: ${parts.join("; ")}. `
      + "A fix at the site would help; visits closer than the settings allow might." : "";
  }

  function unkeptEverywhere(found) {
    const short = data.kinds.filter((_, k) => found[k].unkept.some((left) => left !== null));
    if (!short.length) return "";
    const sites = short.reduce((all, kind) => all + kind.sites, 0);
    const names = new Set(data.kinds.flatMap((kind, k) => kind.units.filter((_, u) => found[k].unkept[u] !== null).map((unit) => unit.name)));
    return ` In ${short.length} of ${data.kinds.length} kinds (${sites} site${sites === 1 ? "" : "s"}) the tolerated chance `
      + `cannot be kept even at the shortest visits: ${[...names].join(", ")}.`;
  }

  // ---- the drawing --------------------------------------------------------------------------------------------------

  const LEFT = 52, RIGHT = 388, TOP = 22, BOTTOM = 190;
  function draw(svg, found) {
    const shape = (tag, props, text) => {
      const node = document.createElementNS(svg.namespaceURI, tag);
      for (const [name, value] of Object.entries(props)) node.setAttribute(name, value);
      if (text !== undefined) node.textContent = text;
      return node;
    };
    const drawn = weeks.map((w, i) => [w, found.curve[i]]).filter(([, cost]) => cost < Infinity);
    const costs = drawn.map(([, cost]) => cost), low = Math.min(...costs);
    const bottom = low * .7, top = Math.max(Math.min(Math.max(...costs) * 1.05, low * 2), low * 1.3, 1);
    const first = drawn[0][0], last = Math.min(weeks[weeks.length - 1], found.last + 4);
    const x = (w) => LEFT + (w - first) / Math.max(last - first, 1) * (RIGHT - LEFT);
    const y = (cost) => BOTTOM - Math.min((cost - bottom) / (top - bottom), 1) * (BOTTOM - TOP);
    const parts = [svg.querySelector("title")];
    parts.push(shape("rect", { class: "band", x: x(found.near[0]) - 2, y: TOP, width: x(found.near[1]) - x(found.near[0]) + 4, height: BOTTOM - TOP }));
    parts.push(shape("path", { class: "axis", d: `M${LEFT} ${TOP}V${BOTTOM}H${RIGHT}` }));
    const quiet = shape("g", { class: "quiet" });
    const step = last - first > 28 ? 8 : 4;
    for (let w = Math.ceil(first / step) * step; w <= last; w += step) {
      quiet.append(shape("text", { x: x(w), y: BOTTOM + 18, "text-anchor": "middle" }, w));
    }
    quiet.append(shape("text", { x: (LEFT + RIGHT) / 2, y: BOTTOM + 40, "text-anchor": "middle" }, "weeks between visits"));
    for (const cost of [bottom, (bottom + top) / 2, top]) {
      quiet.append(shape("text", { x: LEFT - 6, y: y(cost) + 5, "text-anchor": "end" }, money(cost)));
    }
    quiet.append(shape("text", { x: LEFT + 6, y: TOP - 8 }, `${data.currency} a site and year`));
    if (found.last < last) {
      parts.push(shape("path", { class: "rule", d: `M${x(found.last)} ${TOP}V${BOTTOM}` }));
      quiet.append(shape("text", { x: x(found.last) - 6, y: BOTTOM - 8, "text-anchor": "end" }, "no later"));
    }
    parts.push(quiet);
    parts.push(shape("path", { class: "here", d: "M" + drawn.map(([w, cost]) => `${x(w).toFixed(1)} ${y(cost).toFixed(1)}`).join("L") }));
    parts.push(shape("path", { class: "mark", d: `M${x(found.week)} ${TOP}V${BOTTOM}` }));
    const name = shape("g", { class: "here" });
    const right = x(found.week) > 300;
    name.append(shape("text", { x: x(found.week) + (right ? -5 : 5), y: TOP + 14, "text-anchor": right ? "end" : "start" }, inWeeks(found.week)));
    parts.push(name);
    svg.replaceChildren(...parts);
  }

  // ---- what moves it ------------------------------------------------------------------------------------------------

  const names = ["trip", "callout", "chance"];
  const start = Object.fromEntries(names.map((name) => [name, Number(at(`${name}-slider`).value)]));
  const asked = { ...start };
  const terms = (of) => ({
    trip: of.trip, callout: of.callout, tolerated: of.chance === start.chance ? null : of.chance / 100,
  });
  const total = (found, figure) => found.reduce((all, own, k) => all + figure(own) * data.kinds[k].sites, 0);
  const before = data.kinds.map((kind) => answer(kind, terms(start)));
  // the plan of every site by itself is what counts: visiting kinds alike says only how it would change
  const rest = Object.fromEntries(["trips", "callouts", "cost"].map(
    (name) => [name, data.plan[name] - total(before, (own) => own[name])]));
  const added = (of) => rest.trips * (of.trip - start.trip) + rest.callouts * (of.callout - start.callout);

  function show() {
    const found = data.kinds.map((kind) => answer(kind, terms(asked)));
    const rows = at("what-if-kinds").tBodies[0].rows;
    found.forEach((own, k) => {
      const shown = [inWeeks(own.week).split(" ")[0], range(own.near), amount(own.callouts), money(own.cost)];
      shown.forEach((text, j) => { rows[k].cells[j + 2].textContent = text; });
      Object.assign(rows[k].dataset, { week: own.week, every: own.every.join(" "), cost: own.cost,
        unkept: own.unkept.flatMap((left, u) => (left === null ? [] : [u])).join(" ") });
    });
    const chosen = Number(at("what-if-kind").value);
    draw(at("what-if-curve"), found[chosen]);
    at("what-if-answer").textContent = told(data.kinds[chosen], found[chosen]);
    at("what-if-unkept").textContent = unkeptTold(data.kinds[chosen], found[chosen], terms(asked).tolerated);
    at("what-if-units").replaceChildren(...data.kinds[chosen].units.map((unit, u) => Object.assign(
      document.createElement("li"), { textContent: unitTold(unit, found[chosen].every[u], found[chosen].week) })));
    const sum = (all, name) => total(all, (own) => own[name]) + rest[name];
    const figures = (all, of) => `${whole(sum(all, "trips"))} planned trips, `
      + `${whole(sum(all, "callouts"))} call-outs and ${data.currency} ${money(sum(all, "cost") + added(of))}`;
    at("what-if-sum").textContent = `All sites, a year: ${figures(found, asked)}; `
      + `by the plan, at the settings' costs: ${figures(before, start)}.`
      + unkeptEverywhere(found);
  }

  function move(name, value) {
    const slider = at(`${name}-slider`), number = Number(value);
    if (value === "" || !Number.isFinite(number)) return;
    asked[name] = Math.min(Math.max(number, Number(slider.min)), Number(slider.max));
    show();
  }

  for (const name of names) {
    const slider = at(`${name}-slider`), field = at(`${name}-field`);
    slider.addEventListener("input", () => { field.value = slider.value; move(name, slider.value); });
    field.addEventListener("input", () => { move(name, field.value); slider.value = asked[name]; });
    field.addEventListener("change", () => { field.value = asked[name]; });
  }
  at("what-if-back").addEventListener("click", () => {
    for (const name of names) {
      asked[name] = start[name];
      at(`${name}-slider`).value = at(`${name}-field`).value = start[name];
    }
    show();
  });
  at("what-if-kind").addEventListener("change", show);
  at("what-if-tools").hidden = false;
  at("what-if-note").textContent = "At the costs and the chance above:";
  show();
})();
