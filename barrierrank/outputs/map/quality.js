/* How good the habitat is: read from the package, told in the legend and beside the map; see quality.py. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  const UNKNOWN = 0, NONE = 6;

  class Quality {
    constructor(store) {
      this.store = store;
      this.meta = store.meta.quality;
      const { colours, widths } = this.meta;
      this.look = { colour: colours, width: widths, drawn: [UNKNOWN, NONE, 1, 2, 3, 4, 5], dotted: UNKNOWN, flecked: -1 };
    }

    /* Codes of all reaches for one species: 0 not known, 1 to 5 very poor to very good, 6 none. */
    codes(k) {
      return this.store.once("quality" + k, () =>
        this.meta.known[k] ? this.store.section("quality" + k) : new Uint8Array(this.store.n));
    }

    _has(name) {
      return name in this.store.index;
    }

    async _surveyed(k, i) {
      if (!this._has("surveyed" + k)) return false;
      const bits = await this.store.once("surveyed" + k, () => this.store.section("surveyed" + k));
      return Boolean(bits[i >> 3] & (128 >> (i & 7)));
    }

    async _limit(k, i) {
      if (!this._has("limit" + k)) return "";
      const words = await this.store.once("limits", async () =>
        new TextDecoder().decode(await this.store.section("limits")).split("\n"));
      const codes = await this.store.once("limit" + k, async () =>
        br.varints(await this.store.section("limit" + k), this.store.n, Uint16Array));
      return codes[i] ? words[codes[i] - 1] : "";
    }

    /* Gradient of a reach [m/m]; null where the page has none. */
    async gradient(i) {
      if (!this._has("gradient")) return null;
      const codes = await this.store.once("gradient", async () =>
        br.varints(await this.store.section("gradient"), this.store.n, Uint16Array));
      return br.significant(codes[i]) * this.meta.gradient_unit;
    }

    /* For each species what is known of reach `i`; null where its habitat is not judged by quality. */
    reach(i) {
      return Promise.all(this.store.meta.species.map(async (_, k) => this.meta.known[k]
        ? { code: (await this.codes(k))[i], surveyed: await this._surveyed(k, i), limit: await this._limit(k, i) } : null));
    }

    word(code) {
      const { words, figures } = this.meta;
      return code === UNKNOWN || code === NONE ? words[code] : `${words[code]} (${figures[code]})`;
    }

    /* A section of the panel; `name(k)` gives the node with a species' name. */
    section(found, name) {
      const list = make("ul", { class: "qualities" });
      found.forEach((q, k) => {
        if (!q) return;
        const svg = document.querySelector(`#legend [data-step="${q.code}"] svg`);
        const from = q.code === UNKNOWN ? "" : q.surveyed ? "Surveyed. " : "Modelled, not surveyed. ";
        const head = q.code === UNKNOWN ? "Why not known" : "Why not better";
        const why = q.limit && q.code !== 5 ? `${head}: ${q.limit}.` : "";
        list.append(make("li", {}, name(k),
          make("span", { class: "state" }, svg ? svg.cloneNode(true) : null, this.word(q.code)),
          from || why ? make("small", {}, from + why) : null));
      });
      return make("section", {}, make("h3", {}, "How good the habitat is"), list);
    }

    /* What the streams show now, in words. */
    meaning(k) {
      const { label } = this.store.meta.species[k];
      return this.meta.known[k] ? `How good the streams are for ${label}, whether or not it can get there.`
        : `No quality is worked out for ${label}: its habitat counts by size alone.`;
    }

    /* Lengths in the legend. */
    tell(k, formats) {
      const lengths = this.meta.lengths[k], total = lengths.reduce((a, b) => a + b, 0);
      for (const row of document.querySelectorAll("#legend [data-step]")) {
        const length = lengths[Number(row.dataset.step)];
        row.querySelector(".amount").textContent = br.amountOf(length, total, formats);
      }
    }
  }

  br.Quality = Quality;
})();
