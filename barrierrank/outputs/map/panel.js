/* The panel beside the map: all numbers of one site or one reach. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  const ROLE = { invasive: "invader", native: "native" };

  function facts(pairs) {
    const list = make("dl", { class: "facts" });
    for (const [term, value] of pairs) list.append(make("div", {}, make("dt", {}, term), make("dd", {}, value)));
    return list;
  }

  function table(caption, head, rows) {
    const body = make("tbody"), top = make("tr");
    for (const h of head) top.append(make("th", { scope: "col" }, h));
    for (const [first, ...rest] of rows) {
      const row = make("tr", {}, make("th", { scope: "row" }, first));
      for (const cell of rest) row.append(make("td", {}, cell));
      body.append(row);
    }
    return make("div", { class: "table-box" }, make("table", {}, make("caption", {}, caption), make("thead", {}, top), body));
  }

  function swatch(state) {
    const svg = document.querySelector(`#legend [data-state="${state}"] svg`);
    return svg ? svg.cloneNode(true) : "";
  }

  class Panel {
    /* `choose(site)` opens another site; `closed()` is called when the panel is put away. */
    constructor(data, formats, choose, closed) {
      Object.assign(this, data, { formats, choose, closed });
      this.box = document.getElementById("panel");
      this.body = document.getElementById("panel-body");
      this.title = document.getElementById("panel-title");
      this.kicker = document.getElementById("panel-kicker");
      this.from = null;
      this.turn = 0;
      document.getElementById("panel-close").addEventListener("click", () => this.close());
      this.rowsOf = new Map();
      this.actions.site.forEach((site, row) => {
        if (!this.rowsOf.has(site)) this.rowsOf.set(site, []);
        this.rowsOf.get(site).push(row);
      });
      this.sitesOn = new Map();
      this.sites.reach.forEach((reach, site) => {
        if (!this.sitesOn.has(reach)) this.sitesOn.set(reach, []);
        this.sitesOn.get(reach).push(site);
      });
    }

    get isOpen() {
      return !this.box.hidden;
    }

    _open(kicker, title, from, ...parts) {
      this.kicker.replaceChildren(...kicker);
      this.title.textContent = title;
      this.body.replaceChildren(...parts.filter(Boolean));
      this.body.scrollTop = 0;
      if (from) this.from = from;
      this.box.hidden = false;
      this.title.focus({ preventScroll: true });
    }

    close() {
      if (!this.isOpen) return;
      this.turn++;
      this.box.hidden = true;
      const back = this.from;
      this.from = null;
      this.closed();
      const to = back && back.isConnected ? back : document.getElementById("filter");
      to.focus({ preventScroll: true });
    }

    name(site) {
      return this.sites.name[site] || this.sites.id[site];
    }

    showSite(site, from) {
      this.turn++;
      const { sites, formats: f } = this, reach = sites.reach[site], rank = sites.rank[site];
      const kicker = [], row = (this.rowsOf.get(site) || []).find((r) => this.actions.best[r]);
      const sure = rank !== null && row !== undefined && this.intervals ? this.intervals.rank(row) : "";
      if (rank !== null) {
        const purpose = row === undefined ? "neither" : br.PURPOSE_CLASS[this.actions.purpose[row]];
        const outline = row === undefined || !this.actions.worth[row] ? " pin-outline" : "";
        kicker.push(make("span", { class: `badge pin-${purpose}${outline}` }, make("span", {}, String(rank))));
      }
      kicker.push(make("span", {}, br.joined([sure, sites.kind[site], `site ${sites.id[site]}`], " · ")));
      this._open(kicker, this.name(site), from,
        sites.snap[site] === null ? make("p", { class: "quiet" },
          "No stream line is near enough to this site, so it is not on the network and nothing here counts.") : facts([
          ["Stream order here", reach < 0 ? "not known" : String(this.store.order[reach])],
          ["Stream length above", f.length(sites.upstream[site])],
          ["Moved onto the line by", f.length(sites.snap[site])],
        ]),
        this._fishAtSite(site), this._passageAt(site), this._cautions(site), this._actionsAt(site), this._wayUp(reach, site));
    }

    _species(k) {
      const s = this.meta.species[k];
      return make("span", { class: "fish" }, s.label, " ", make("small", { class: `role role-${s.role}` }, ROLE[s.role]));
    }

    _fishAtSite(site) {
      const { sites, formats: f, meta } = this;
      const rows = meta.species.map((s, k) => [this._species(k), f.share(sites["passability" + k][site]),
        f.habitat(sites["above" + k][site], s.unit), f.habitat(sites["next" + k][site], s.unit),
        f.habitat(sites["blocked" + k][site], s.unit)]);
      return make("section", {}, make("h3", {}, "Fish at this site"),
        table("Passability is the chance that a fish that reaches the site gets past it. Blocked: what the species would gain were the site fully passable.",
          ["Species", "Passability", "Habitat above", "Up to next site", "Blocked"], rows));
    }

    _passageAt(site) {
      return this.passage && this.passage.section(site, (k) => this._species(k), (k) => this.sites["passability" + k][site], facts);
    }

    /* What must be said where a crest or work on it is named. */
    _cautions(site) {
      const named = this.rowsOf.has(site) || (this.passage && this.meta.species.some((_, k) => this.passage.of(k, site)));
      if (!named || !this.meta.cautions.length) return null;
      const list = make("ul", { class: "cautions" });
      for (const text of this.meta.cautions) list.append(make("li", {}, text));
      return make("section", { class: "warned", "aria-label": "Cautions" }, list);
    }

    _actionsAt(site) {
      const rows = this.rowsOf.get(site) || [];
      const section = make("section", {}, make("h3", {}, "What can be done here"));
      if (!rows.length) section.append(make("p", { class: "quiet" }, "No action is listed for this site."));
      for (const row of rows) section.append(this._action(row));
      return section;
    }

    _action(row) {
      const { actions: a, formats: f, meta } = this, purpose = br.PURPOSE_CLASS[a.purpose[row]];
      const card = make("article", { class: "action" + (a.best[row] ? " action-best" : "") },
        make("header", {},
          make("span", { class: `badge pin-${purpose}${a.worth[row] ? "" : " pin-outline"}` }, make("span", {}, String(a.rank[row]))),
          make("h4", {}, a.action[row]),
          make("span", { class: "tag" }, br.PURPOSES[a.purpose[row]]),
          a.best[row] ? make("span", { class: "tag tag-best" }, "best here") : null),
        this.intervals ? this.intervals.line(row) : null,
        make("p", { class: "why" }, a.why[row]),
        ...(this.intervals ? this.intervals.sentences(row) : []));
      const pairs = [["Cost", f.money(a.cost[row])], ["Cost over the years, present worth", f.money(a.present_worth_cost[row])],
        ["Benefit, present worth", f.worth(a.benefit[row])]];
      if (a.net[row] !== null) pairs.push(["Net benefit", f.worth(a.net[row])]);
      pairs.push(["Benefit per cost", f.number(a.per_cost[row])]);
      if (a.saved[row]) pairs.push(["Treatment saved", f.worth(a.saved[row])]);
      if (this.intervals) pairs.push(...this.intervals.facts(row));
      card.append(facts(pairs));
      const gains = make("ul", { class: "gains", "aria-label": "Change in accessible habitat" });
      meta.species.forEach((s, k) => {
        const gain = a["gain" + k][row], good = (s.role === "native") === (gain > 0);
        const verdict = gain ? (good ? " (wanted)" : " (unwanted)") : "";
        gains.append(make("li", {}, this._species(k),
          make("span", {}, f.change(gain, s.unit), make("small", {}, verdict), this._past(row, k))));
      });
      const past = a.after0 ? ", failures over the years counted; what gets past while nothing fails" : "";
      card.append(make("p", { class: "gains-title" }, `Change in habitat it can reach${past}`), gains);
      return card;
    }

    /* Passability of a species today and once the action is done. */
    _past(row, k) {
      const after = this.actions["after" + k], share = this.formats.share;
      if (!after || after[row] === null) return null;
      const today = share(this.sites["passability" + k][this.actions.site[row]]), then = share(after[row]);
      return make("small", { class: "past" }, then === today ? `lets past ${today}, as today` : `lets past ${today} \u2192 ${then}`);
    }

    /* Sites that a fish from the receiving water meets before this place, from the outlet up. */
    _wayUp(reach, self) {
      if (reach < 0) return null;
      const below = [];
      for (const r of this.store.route(reach)) for (const s of this.sitesOn.get(r) || []) if (s !== self) below.push(s);
      const section = make("section", {}, make("h3", {}, "On the way up from the receiving water"));
      if (!below.length) {
        section.append(make("p", { class: "quiet" }, "No other site lies between here and the receiving water."));
        return section;
      }
      const list = make("ol", { class: "way" });
      for (const s of below.reverse()) {
        const button = make("button", { type: "button", class: "link" }, this.name(s));
        button.addEventListener("click", () => this.choose(s));
        const chances = this.meta.species.map((x, k) => `${x.label} ${this.formats.share(this.sites["passability" + k][s])}`);
        list.append(make("li", {}, button, make("small", {}, ` lets past: ${chances.join(", ")}`)));
      }
      section.append(list);
      return section;
    }

    async showReach(i, from) {
      const turn = ++this.turn, r = await this.store.reach(i), { formats: f, meta, quality } = this;
      const found = quality && await quality.reach(i), gradient = quality ? await quality.gradient(i) : null;
      if (turn !== this.turn) return;
      const rows = meta.species.map((s, k) => {
        const state = r.species[k].state;
        return [this._species(k), f.share(r.species[k].access),
          make("span", { class: "state" }, swatch(state), br.STATE_WORDS[state]), f.habitat(r.species[k].habitat, s.unit)];
      });
      this._open([make("span", {}, "Reach")], r.source, from,
        facts([["Length", f.length(r.length)], ["Stream order", String(r.order)],
          ["Stream length above, itself included", f.length(r.upstream)],
          ...(gradient === null ? [] : [["Gradient", f.share(gradient)]])]),
        make("section", {}, make("h3", {}, "Fish on this reach"),
          table("Access is the chance that a fish from the receiving water can reach this reach.",
            ["Species", "Access", "State", "Habitat"], rows)),
        found && quality.section(found, (k) => this._species(k)),
        this._wayUp(i, -1));
    }
  }

  br.Panel = Panel;
})();
