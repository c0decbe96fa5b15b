/* How sure a rank is: its interval over all draws, and neighbours whose order is not settled; see intervals.py. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  class Intervals {
    /* `columns` as interval_columns of intervals.py makes them. */
    constructor(columns, actions, sites, formats) {
      Object.assign(this, { columns, actions, sites, formats });
      this.pairs = new Map();
      for (const pair of columns.open) {
        for (const row of pair.slice(0, 2)) {
          if (!this.pairs.has(row)) this.pairs.set(row, []);
          this.pairs.get(row).push(pair);
        }
      }
    }

    /* The rank of a row and its interval: "rank 3 (1 to 9)". */
    rank(row) {
      const { low, high } = this.columns, rank = `rank ${this.actions.rank[row]}`;
      if (low[row] === null || high[row] === null) return rank;
      return `${rank} (${low[row] === high[row] ? `${low[row]} only` : `${low[row]} to ${high[row]}`})`;
    }

    /* "order of 3 and 4 not settled", empty where it is, or where it was not looked at; as in intervals.py. */
    open(row) {
      const { rank } = this.actions, pairs = this.pairs.get(row) || [];
      if (!pairs.length) return "";
      if (pairs.length === 1) return `order of ${rank[pairs[0][0]]} and ${rank[pairs[0][1]]} not settled`;
      return `order ${pairs.map(([a, b]) => `with ${rank[a === row ? b : a]}`).join(" and ")} not settled`;
    }

    /* What stands under an action in the list. */
    line(row) {
      const open = this.open(row);
      return make("span", { class: "row-rank" }, this.rank(row), open ? make("em", {}, ` · ${open}`) : null);
    }

    /* Pairs of a term and a value for the card of an action. */
    facts(row) {
      const { columns: c, formats: f } = this, share = (v) => f.share(v === null ? null : v / 1000), out = [];
      const count = f.count(c.first);
      out.push([c.first === 1 ? "Chance to be the first" : `Chance to be among the first ${count}`, share(c.top[row])]);
      out.push(["Benefit, mean of all draws", f.worth(c.mean[row])]);
      out.push(["Chance of more harm than good", share(c.harm[row])]);
      if (c.hinges[row]) out.push(["Hinges on", c.hinges[row]]);
      if (c.survey[row]) out.push(["A survey of the site is worth about", f.worth(c.survey[row])]);
      return out;
    }

    /* Sentences on the neighbours of a row whose order with it is not settled. */
    sentences(row) {
      const { actions: a, sites, formats: f } = this;
      return (this.pairs.get(row) || []).map(([upper, lower, chance]) => {
        const other = row === upper ? lower : upper, site = a.site[other];
        const at = sites.name[site] || sites.id[site], share = row === upper ? chance : 1000 - chance;
        return make("p", { class: "unsettled" }, make("b", {}, `Order of ${a.rank[upper]} and ${a.rank[lower]} not settled: `),
          `this comes before ${at}: ${a.action[other]} (rank ${a.rank[other]}) in ${f.share(share / 1000)} of the draws.`);
      });
    }
  }

  br.Intervals = Intervals;
})();
