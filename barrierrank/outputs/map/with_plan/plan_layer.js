/* A plan on the map: access before and after it, and marks of its sites; see plan.py for what is read. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  const STAYS = 0, OPENS = 1, CLOSES = 2;
  const CHANGE = {
    colour: { [STAYS]: "#999999", [OPENS]: "#0072B2", [CLOSES]: "#D55E00" },
    width: { [STAYS]: 0.7, [OPENS]: 1.7, [CLOSES]: 1.7 },
    drawn: [STAYS, OPENS, CLOSES], dotted: -1, flecked: CLOSES,
  };
  const unfold = (v) => (v % 2 ? -(v + 1) / 2 : v / 2);

  class Plan {
    /* `columns` as plan_columns of plan.py makes them. */
    constructor(columns, store) {
      Object.assign(this, { columns, store, meta: store.meta.plan });
      this._toMetres(store.meta.reaches.scales);
      this.bySite = new Map();
      this.outBySite = new Map();
      columns.plan.site.forEach((site, i) => this._under(this.bySite, site, i));
      columns.out.site.forEach((site, i) => this._under(this.outBySite, site, i));
      this.rows = new Map(columns.plan.row.map((row, i) => [row, i]));
      this.outRows = new Map(columns.out.row.map((row, i) => [row, i]));
      this.years = columns.years > 1;
      this.read = new Map();
    }

    /* Habitat is kept in units whose three digits are the ones to show, as in map.js. */
    _toMetres(scales) {
      const { plan, species } = this.columns;
      for (const column of species) column.forEach((v, k) => { if (v !== null) column[k] = v * scales["habitat" + k]; });
      species[0].forEach((_, k) => {
        plan["gain" + k] = plan["gain" + k].map((v) => (v === null ? null : v * scales["habitat" + k]));
      });
    }

    _under(map, key, value) {
      if (!map.has(key)) map.set(key, []);
      map.get(key).push(value);
    }

    /* "3", or "3, year 2" where money comes in several years. */
    place(i) {
      const { order, year } = this.columns.plan;
      return this.years ? `${order[i]}, year ${year[i]}` : String(order[i]);
    }

    /* Places of actions of the plan that count on action `i`. */
    countedOn(i) {
      const { site, presumes } = this.columns.plan;
      return presumes.flatMap((below, j) => (Array.isArray(below) && below.includes(site[i]) ? [j] : []));
    }

    /* Read access of species `k` before and after the plan; then `of` and `codes` answer at once. */
    async ready(k) {
      if (!this.read.has(k)) this.read.set(k, this._read(k).then((found) => { this.read.set(k, found); }));
      await this.read.get(k);
    }

    async _read(k) {
      const { store } = this, share = await store.shares("access" + k), states = await store.states(k);
      const today = new Float32Array(store.n);
      for (let i = 0; i < store.n; i++) today[i] = share(i);
      const found = {};
      for (const time of ["before", "after"]) found[time] = await this._changed(time, k, today, states);
      found.change = this._change(found);
      return found;
    }

    /* Access and states, with what differs from the table of reaches put in. */
    async _changed(time, k, today, states) {
      const access = today.slice(), state = states.slice(), many = this.meta.changed[time][k];
      if (!many) return { access, state };
      const values = br.varints(await this.store.section(`plan_${time}${k}`), 2 * many, Uint32Array);
      for (let j = 0, at = 0, code = 0; j < many; j++) {
        at += values[j];
        code += unfold(values[many + j]);
        access[at] = code < 4 ? NaN : ((code >> 2) - 1) / 1000;
        state[at] = code & 3;
      }
      return { access, state };
    }

    _change({ before, after }) {
      const out = new Uint8Array(before.access.length), least = this.meta.noted - 0.5;  // rounding may take a little
      for (let i = 0; i < out.length; i++) {
        const step = 1000 * (after.access[i] - before.access[i]);
        if (before.state[i] && Math.abs(step) >= least) out[i] = step > 0 ? OPENS : CLOSES;
      }
      return out;
    }

    /* What the streams show in one view; null where that is not read yet. */
    codes(k, view) {
      const found = this.read.get(k);
      if (!found || !found.before) return null;
      return view === "change" ? { states: found.change, look: CHANGE } : { states: found[view].state };
    }

    /* Access and state of one reach before and after, and how it moves: 0 stays, 1 opens, 2 closes. */
    reach(k, i) {
      const { before, after, change } = this.read.get(k);
      return { before: before.access[i], after: after.access[i], from: before.state[i], to: after.state[i], move: change[i] };
    }
  }

  /* Marks of the plan's sites and of those left out; they come first where marks crowd, and in the order of keys. */
  function markPlan(layer, plan, sites, actions, best) {
    const { plan: p, out } = plan.columns, marked = new Map();
    for (const [site, [i]] of plan.bySite) marked.set(site, planned(plan, i));
    for (const [site, [j]] of plan.outBySite) {
      if (!marked.has(site)) marked.set(site, { kind: "left", text: out.rank[j] === null ? "\u2013" : String(out.rank[j]), row: out.row[j],
        words: `Left out of the plan${out.rank[j] === null ? "" : `, rank ${out.rank[j]}`}`, action: out.action[j] });
    }
    const others = layer._pins;
    layer._pins = new Map();
    for (const [site, look] of marked) {
      if (!others.has(site)) layer._pin(sites.rank[site], site, sites, actions, best[site]);
      else layer._pins.set(site, others.get(site));
      dress(layer._pins.get(site), look, sites.name[site] || sites.id[site], look.kind === "plan" ? p.purpose[look.i] : actions.purpose[look.row]);
    }
    for (const [site, pin] of others) if (!marked.has(site)) layer._pins.set(site, pin);
    layer._marks = layer._marks.filter(({ site }) => !marked.has(site));
    const first = [...marked.keys()].map((site) => layer._pins.get(site).node);
    if (first.length) first[0].parentNode.prepend(...first);
    layer.unclutter();
  }

  function planned(plan, i) {
    const { order, year, action } = plan.columns.plan;
    return { kind: "plan", i, text: String(order[i]), year: plan.years ? `yr ${year[i]}` : "", words: `Plan ${plan.place(i)}`, action: action[i] };
  }

  function dress(pin, look, name, purpose) {
    const { node, marker } = pin, shape = purpose === undefined ? "neither" : br.PURPOSE_CLASS[purpose];
    for (const old of [...br.PURPOSE_CLASS, "outline"]) node.classList.remove(`pin-${old}`);
    node.classList.add(`pin-${shape}`, `pin-${look.kind}`);
    node.replaceChildren(make("span", {}, look.text, look.year ? make("small", {}, look.year) : null));
    node.setAttribute("aria-label", `${look.words}: ${name}, ${look.action}`);
    node.title = `${look.words}: ${name}`;
    marker.setZIndexOffset(look.kind === "plan" ? 2000 : 1000);
    pin.rank = look.year ? `${look.text}  ${look.year}` : look.text;  // its length is the room it takes
  }

  br.Plan = Plan;
  br.markPlan = markPlan;
})();
