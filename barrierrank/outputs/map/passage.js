/* How passability at a site was found, what stops fish there, and what the design flood leaves; see passage.py. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  const SOURCES = ["given", "computed from structure and flows", "from a trial", "assumed"];
  const LONGEST = 500;  // return intervals that are told [years], as in passages_words.py
  const COMPUTED = 1, TRIAL = 2, ASSUMED = 3;
  const STOPPED_BY = ["", "the drop", "the height of the leap", "too shallow a pool below", "too little depth of water",
    "the speed of the water"];

  class Passage {
    /* `columns` as passage_columns of passage.py makes them. */
    constructor(columns, meta, formats) {
      Object.assign(this, { columns, meta, formats });
      this.rows = columns.map((c) => {
        let site = 0;
        return new Map(c.at.map((step, row) => [(site += step), row]));
      });
    }

    /* All numbers of species `k` at `site`; null where passability is given and nothing more is known. */
    of(k, site) {
      const c = this.columns[k], i = this.rows[k].get(site);
      if (i === undefined) return null;
      const at = (name, scale) => (c[name] && c[name][i] !== null ? c[name][i] / (scale || 1) : null);
      const out = { source: Number(c.source[i]), by: Number(c.by[i]) };
      for (const name of ["year", "years", "days", "run", "offered", "passed", "flow", "holds", "drowns"]) out[name] = at(name);
      for (const name of ["worst", "least", "most", "upper", "required", "low", "left", "raise", "raise_low", "raise_high"]) {
        out[name] = at(name, 1000);
      }
      return out;
    }

    /* Sentences on one species; `p` is its passability. */
    words(x, p) {
      const { formats: f } = this, out = [];
      if (x.source === ASSUMED) out.push("For want of measurements.");
      if (x.source === TRIAL && x.offered !== null && x.passed !== null) {
        const bound = x.upper === null ? "" : ` Up to ${f.share(x.upper)} may get past (upper bound).`;
        out.push(`${x.passed ? f.count(x.passed) : "None"} of ${f.count(x.offered)} passed.${bound}`);
      }
      if (x.source !== COMPUTED) return out;
      if (x.run) {
        const years = x.years > 1 ? ` (mean of ${x.years} years)` : "", run = `${x.run} ${x.run === 1 ? "day" : "days"}`;
        const days = x.days >= x.run ? `all ${run}` : x.days > 0 && x.days < 0.5 ? `less than one of ${run}`
          : `${x.days > 0 ? Math.max(1, Math.round(x.days)) : "none"} of ${run}`;
        const later = !x.days && p > 0 ? ", but on some soon after it, while fish still wait" : "";
        out.push(`The way is open on ${days} of the run${years}${later}.`);
      }
      if (x.most !== null && x.most !== undefined) {
        out.push(`${f.share(x.least)} to ${f.share(x.most)} by the estimate of the water below.`);
      }
      if (x.by && p < 1) out.push(`${p > 0 ? "Mostly stopped" : "Stopped"} by ${STOPPED_BY[x.by]}.`);
      if (x.worst !== null && x.years > 1) out.push(`Worst year${x.year === null ? "" : ` ${x.year}`}: ${f.share(x.worst)}.`);
      return out;
    }

    /* Pairs of terms and numbers of the design check; none where it is not known. */
    design(x) {
      const { formats: f } = this;
      if (x.left === null) return [];
      const flood = x.flow === null ? "" : `, ${f.flow(x.flow)}`;
      const pairs = [["Drop that stops it", x.required], ["Drop at low flow", x.low], [`Drop at the design flood${flood}`, x.left]]
        .filter(([, v]) => v !== null).map(([term, v]) => [term, f.height(v)]);
      const often = (years) => (years >= LONGEST ? `rarer than once in ${LONGEST} years` : f.often(years));
      if (x.holds !== null) pairs.push(["Holds in floods up to", x.holds < 1.05 ? "none, not even yearly ones" : often(x.holds)]);
      if (x.drowns !== null) pairs.push(["Drowns in floods from", often(x.drowns)]);
      if (x.raise !== null) {
        const span = x.raise_high ? ` (${f.height(x.raise_low || 0)} to ${f.height(x.raise_high)})` : "";
        pairs.push(["Crest too low by", (x.raise > 0 ? f.height(x.raise) : "nothing") + span]);
      }
      return pairs;
    }

    /* A section of the panel; `name(k)` gives the node with a species' name, `share(k)` its passability at the site. */
    section(site, name, share, facts) {
      const list = make("ul", { class: "qualities passages" });
      let design = false;
      this.meta.species.forEach((_, k) => {
        const x = this.of(k, site), p = share(k);
        if (!x) return;
        const words = this.words(x, p).join(" "), pairs = this.design(x);
        design = design || Boolean(pairs.length && x.raise_high);
        list.append(make("li", {}, name(k), make("span", {}, make("b", {}, this.formats.share(p))),
          make("small", {}, `${SOURCES[x.source][0].toUpperCase()}${SOURCES[x.source].slice(1)}. ${words}`),
          pairs.length ? facts(pairs) : null));
      });
      if (!list.children.length) return null;
      return make("section", {}, make("h3", {}, "How passability was found"), list,
        design ? make("p", { class: "quiet" }, "In brackets: for the lower and the higher estimate of the water below.") : null);
    }
  }

  br.Passage = Passage;
})();
