/* A plan in words: what it does at a site and on a reach, and its list beside the map. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  const FIRST = 12;
  const MOVES = ["stays", "opens", "closes"];

  function facts(pairs) {
    const list = make("dl", { class: "facts" });
    for (const [term, value] of pairs) list.append(make("div", {}, make("dt", {}, term), make("dd", {}, value)));
    return list;
  }

  const badge = (kind, text, year) => make("span", { class: `badge pin-${kind}` },
    make("span", {}, text, year ? make("small", {}, year) : null));

  class PlanWords {
    /* `panel` and `list` are those of the page. */
    constructor(plan, panel, list, formats) {
      Object.assign(this, { plan, panel, list, formats });
      this.chosen = -1;
      this._tellWhole();
      this._fillLists();
    }

    badge(i) {
      const { order, year, purpose } = this.plan.columns.plan;
      return badge(`${br.PURPOSE_CLASS[purpose[i]]} pin-plan`, String(order[i]), this.plan.years ? `yr ${year[i]}` : "");
    }

    outBadge(j) {
      const { rank, row } = this.plan.columns.out, kind = this.panel.actions.purpose[row[j]];
      return badge(`${kind === undefined ? "neither" : br.PURPOSE_CLASS[kind]} pin-left`, rank[j] === null ? "\u2013" : String(rank[j]));
    }

    /* "in the best plan of 83 % of 200 draws (core)"; empty where nothing was drawn. */
    steady(c, i) {
      if (c.share[i] === null) return "";
      const kind = c.steadiness[i] ? ` (${c.steadiness[i]})` : "";
      return `${this.formats.share(c.share[i] / 1000)} of ${this.formats.count(this.plan.columns.draws)} draws${kind}`;
    }

    /* --- At a site --- */

    site(site) {
      const mine = this.plan.bySite.get(site) || [], out = this.plan.outBySite.get(site) || [];
      if (!mine.length && !out.length) {
        return this.panel.rowsOf.has(site) ? make("p", { class: "quiet plan-none" }, "The plan does nothing at this site.") : null;
      }
      const section = make("section", {}, make("h3", {}, mine.length ? "In the plan" : "Left out of the plan"));
      for (const i of mine) section.append(this._planned(i));
      for (const j of out) section.append(this._leftOut(j, mine.length > 0));
      return section;
    }

    _planned(i) {
      const { formats: f, plan, panel } = this, c = plan.columns.plan;
      const pairs = [["Order in the plan", `${c.order[i]} of ${f.count(c.site.length)}`]];
      if (plan.years) pairs.push(["Funding year", `${c.year[i]} of ${plan.columns.years}`]);
      pairs.push(["Cost", f.money(c.cost[i])], ["Cost over the years, present worth", f.money(c.present_worth_cost[i])],
        ["Worth in the plan", f.worth(c.worth[i])], ["Worth if done alone", f.worth(c.alone[i])]);
      if (c.saved[i]) pairs.push(["Treatment saved", f.worth(c.saved[i])]);
      if (c.rank[i] !== null) {
        pairs.push(["Rank in the list", String(c.rank[i])], ["Taken by the list from the top", c.by_list[i] ? "yes" : "no"]);
      }
      const steady = this.steady(c, i);
      if (steady) pairs.push(["In the best plan of", steady]);
      const gains = make("ul", { class: "gains", "aria-label": "Change in accessible habitat by this action" });
      panel.meta.species.forEach((s, k) => {
        const gain = c["gain" + k][i], good = (s.role === "native") === (gain > 0);
        gains.append(make("li", {}, panel._species(k),
          make("span", {}, f.change(gain, s.unit), gain ? make("small", {}, good ? " (wanted)" : " (unwanted)") : null)));
      });
      return make("article", { class: "action action-plan" },
        make("header", {}, this.badge(i), make("h4", {}, c.action[i]), make("span", { class: "tag" }, br.PURPOSES[c.purpose[i]])),
        make("p", { class: "why" }, c.why[i]), facts(pairs), this._presumes(i),
        make("p", { class: "gains-title" }, "Change in habitat it can reach, against the plan without this action"), gains);
    }

    /* What an action counts on below, and what counts on it. */
    _presumes(i) {
      const c = this.plan.columns.plan, below = c.presumes[i], above = this.plan.countedOn(i);
      const part = (words, nodes) => make("p", { class: "presumes" }, words,
        ...nodes.flatMap((node, n) => (n ? [", ", node] : [node])));
      const link = (site) => {
        const [first] = this.plan.bySite.get(site) || [];
        const button = make("button", { type: "button", class: "link" },
          this.panel.name(site) + (first === undefined ? "" : ` (${c.order[first]})`));
        button.addEventListener("click", () => this.panel.choose(site));
        return button;
      };
      const box = make("div", {});
      if (typeof below === "string") box.append(part("Presumes what the plan does below, at ", [below]));
      else if (below.length) box.append(part("Presumes what the plan does below, at ", below.map(link)));
      if (above.length) box.append(part("Presumed by what the plan does above, at ", above.map((j) => link(c.site[j]))));
      return box.children.length ? box : null;
    }

    _leftOut(j, beside) {
      const { formats: f, plan } = this, c = plan.columns.out;
      const pairs = [["Cost", f.money(c.cost[j])], ["Worth if done alone", f.worth(c.alone[j])]];
      const steady = this.steady(c, j);
      if (steady) pairs.push(["In the best plan of", steady]);
      pairs.push(["Instead the plan does here", c.instead[j] || "nothing"]);
      return make("article", { class: "action action-left" },
        make("header", {}, this.outBadge(j), make("h4", {}, c.action[j]),
          make("span", { class: "tag" }, beside ? "taken by the list, not by the plan" : "taken by the list")),
        make("p", { class: "why" }, c.why[j]), facts(pairs));
    }

    /* --- On a reach --- */

    reach(i) {
      const { formats: f, panel, plan } = this, body = make("tbody");
      panel.meta.species.forEach((_, k) => {
        const { before, after, from, to, move } = plan.reach(k, i);
        const words = (state) => make("small", { class: "past" }, br.STATE_WORDS[state].toLowerCase());
        body.append(make("tr", {}, make("th", { scope: "row" }, panel._species(k)),
          make("td", {}, f.share(before), words(from)), make("td", {}, f.share(after), words(to)),
          make("td", {}, move ? make("b", {}, MOVES[move]) : MOVES[move])));
      });
      const head = make("tr", {}, ...["Species", "Before", "After", "The reach"].map((h) => make("th", { scope: "col" }, h)));
      return make("section", {}, make("h3", {}, "Access before and after the plan"), make("div", { class: "table-box" },
        make("table", {}, make("caption", {}, `Of sound structures. Less than ${plan.meta.noted / 10} more or fewer of 100 fish: the reach stays.`),
          make("thead", {}, head), body)));
    }

    /* --- The list --- */

    _tellWhole() {
      const { formats: f, plan: { columns: c } } = this, years = c.years > 1 ? ` over ${c.years} funding years` : "";
      const gap = c.gap === null ? "" : ` No plan for this budget gains ${c.gap > 0 ? `over ${f.share(c.gap)} ` : ""}more.`;
      document.getElementById("plan-told").textContent =
        `Spends ${f.money(c.spent)} of ${f.money(c.budget)}${years} and gains ${f.worth(c.worth)} over leaving everything as it is.${gap}`;
    }

    _fillLists() {
      const { columns: c } = this.plan, box = document.getElementById("plan-rows"), more = document.getElementById("plan-more");
      const grow = (to) => {
        for (let i = box.children.length; i < Math.min(to, c.plan.site.length); i++) box.append(this._row(i));
        more.hidden = box.children.length === c.plan.site.length;
        this.mark(this.chosen);
      };
      grow(c.plan.site.length <= FIRST + 3 ? FIRST + 3 : FIRST);
      more.textContent = `Show all ${this.formats.count(c.plan.site.length)}`;
      more.addEventListener("click", () => {
        const from = box.children.length;
        grow(Infinity);
        box.children[from].querySelector("button").focus();
      });
      window.addEventListener("beforeprint", () => grow(Infinity));
      const out = document.getElementById("out-rows");
      if (out) c.out.site.forEach((_, j) => out.append(this._outRow(j)));
      for (const list of [box, out]) if (list) this._listen(list);
    }

    _row(i) {
      const c = this.plan.columns.plan;
      return this._entry(c.site[i], this.badge(i), `${c.action[i]} \u00b7 ${br.PURPOSES[c.purpose[i]]}`,
        this.formats.money(c.cost[i]), this.plan.years ? `year ${c.year[i]}` : "");
    }

    _outRow(j) {
      const c = this.plan.columns.out, instead = c.instead[j] ? `instead: ${c.instead[j]}` : "";
      return this._entry(c.site[j], this.outBadge(j), br.joined([c.action[j], instead], " \u00b7 "), this.formats.money(c.cost[j]), "");
    }

    _entry(site, mark, words, cost, year) {
      const button = make("button", { type: "button", class: "row" }, mark,
        make("span", { class: "row-words" }, make("span", { class: "row-name" }, this.panel.name(site)),
          make("span", { class: "row-action" }, words)),
        make("span", { class: "row-figures" }, make("span", {}, cost, make("small", {}, " cost")), year ? make("span", {}, year) : null));
      button.dataset.site = site;
      return make("li", {}, button);
    }

    _listen(box) {
      box.addEventListener("click", (e) => {
        const button = e.target.closest("button");
        if (button) this.list.choose(Number(button.dataset.site), button);
      });
      box.addEventListener("keydown", (e) => {
        const item = e.target.closest("li");
        const next = item && { ArrowDown: item.nextElementSibling, ArrowUp: item.previousElementSibling }[e.key];
        if (!next) return;
        e.preventDefault();
        next.querySelector("button").focus();
      });
    }

    mark(site) {
      this.chosen = site;
      for (const button of document.querySelectorAll("#plan-rows button, #out-rows button")) {
        if (Number(button.dataset.site) === site) button.setAttribute("aria-current", "true");
        else button.removeAttribute("aria-current");
      }
    }

    /* A word on a row of the ranked list: where the plan has it, or that it leaves it out. */
    tag(row) {
      const i = this.plan.rows.get(row);
      if (i !== undefined && row >= 0) return make("span", { class: "plan-tag" }, `in the plan: ${this.plan.place(i)}`);
      return row >= 0 && this.plan.outRows.has(row) ? make("span", { class: "plan-tag plan-tag-out" }, "left out of the plan") : null;
    }
  }

  br.PlanWords = PlanWords;
})();
