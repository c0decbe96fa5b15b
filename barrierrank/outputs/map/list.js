/* The ranked list: every action in its order, then sites without one; the map in words. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;

  const STEP = 100;
  const folded = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();

  class RankedList {
    /* `choose(site, from)` is called with the place of a site in the table and the button pressed. */
    constructor(data, formats, choose) {
      Object.assign(this, data, { formats, choose });
      this.box = document.getElementById("rows");
      this.field = document.getElementById("filter");
      this.bestOnly = document.getElementById("best-only");
      this.note = document.getElementById("rows-note");
      this.more = document.getElementById("more");
      this.chosen = -1;
      this.entries = this._entries();
      this._listen();
      this.update();
    }

    /* One entry a row of the list, then one for each site without actions. */
    _entries() {
      const { sites, actions } = this, busy = new Set(actions.site);
      const entries = actions.site.map((site, row) => ({ site, row }));
      sites.id.forEach((_, site) => { if (!busy.has(site)) entries.push({ site, row: -1 }); });
      for (const e of entries) {
        const action = e.row < 0 ? "" : actions.action[e.row];
        e.text = folded([sites.name[e.site], sites.id[e.site], action].join("\n"));
      }
      return entries;
    }

    _listen() {
      let timer = 0;
      this.field.addEventListener("input", () => {
        clearTimeout(timer);
        timer = setTimeout(() => this.update(), this.entries.length > 3000 ? 150 : 0);
      });
      this.field.addEventListener("keydown", (e) => {
        if (e.key === "ArrowDown") this._focus(this.box.querySelector("button"), e);
        if (e.key === "Escape" && this.field.value) {
          this.field.value = "";
          this.update();
          e.stopPropagation();
        }
      });
      this.bestOnly.addEventListener("change", () => this.update());
      this.more.addEventListener("click", () => {
        const from = this.shown;
        this._grow(STEP);
        this._focus(this.box.children[from] && this.box.children[from].querySelector("button"));
      });
      this.box.addEventListener("keydown", (e) => {
        const item = e.target.closest("li");
        if (!item) return;
        if (e.key === "ArrowDown") this._focus((item.nextElementSibling || item).querySelector("button"), e);
        if (e.key === "ArrowUp") {
          this._focus(item.previousElementSibling ? item.previousElementSibling.querySelector("button") : this.field, e);
        }
      });
      this.box.addEventListener("click", (e) => {
        const button = e.target.closest("button");
        if (button) this.choose(Number(button.dataset.site), button);
      });
    }

    _focus(node, event) {
      if (!node) return;
      if (event) event.preventDefault();
      node.focus();
    }

    /* Show what the filter lets through, from the top. */
    update() {
      const wanted = folded(this.field.value.trim()), best = this.bestOnly.checked;
      this.passing = this.entries.filter((e) =>
        (!wanted || e.text.includes(wanted)) && (!best || e.row < 0 || this.actions.best[e.row]));
      this.box.replaceChildren();
      this.shown = 0;
      this._grow(STEP);
    }

    _grow(count) {
      const piece = document.createDocumentFragment();
      for (const e of this.passing.slice(this.shown, this.shown + count)) piece.append(this._row(e));
      this.box.append(piece);
      this.shown = Math.min(this.passing.length, this.shown + count);
      const left = this.passing.length - this.shown, n = this.formats.count;
      this.more.hidden = left === 0;
      this.more.textContent = `Show ${n(Math.min(STEP, left))} more of ${n(left)}`;
      const ranked = this.passing.filter((e) => e.row >= 0).length, idle = this.passing.length - ranked;
      this.note.textContent = (this.passing.length ? "" : "Nothing matches. ")
        + `${n(ranked)} of ${n(this.actions.site.length)} actions`
        + (idle ? `, and ${n(idle)} ${idle === 1 ? "site" : "sites"} without an action` : "");
    }

    _row({ site, row }) {
      const { sites, actions, formats } = this;
      const name = sites.name[site] || sites.id[site];
      const button = make("button", { type: "button", class: "row" + (row < 0 ? " row-idle" : "") });
      button.dataset.site = site;
      const purpose = row < 0 ? "neither" : br.PURPOSE_CLASS[actions.purpose[row]];
      const outline = row < 0 || !actions.worth[row] ? " pin-outline" : "";
      button.append(make("span", { class: `badge pin-${purpose}${outline}` },
        make("span", {}, row < 0 ? "–" : String(actions.rank[row]))));
      button.append(make("span", { class: "row-words" }, make("span", { class: "row-name" }, name),
        make("span", { class: "row-action" }, row < 0 ? br.joined([sites.kind[site], "no action listed"], ", ")
          : `${actions.action[row]} · ${br.PURPOSES[actions.purpose[row]]}`),
        row < 0 || !this.intervals ? null : this.intervals.line(row)));
      if (row >= 0) button.append(this._figures(row, formats));
      if (site === this.chosen) button.setAttribute("aria-current", "true");
      return make("li", {}, button);
    }

    _figures(row, formats) {
      const { actions } = this, money = actions.net[row] !== null;
      const first = money ? formats.worth(actions.net[row]) : formats.worth(actions.benefit[row]);
      return make("span", { class: "row-figures" },
        make("span", {}, first, make("small", {}, money ? " net" : " benefit")),
        make("span", {}, formats.number(actions.per_cost[row]), make("small", {}, " per cost")));
    }

    mark(site) {
      this.chosen = site;
      for (const button of this.box.querySelectorAll("button")) {
        if (Number(button.dataset.site) === site) button.setAttribute("aria-current", "true");
        else button.removeAttribute("aria-current");
      }
    }
  }

  br.RankedList = RankedList;
})();
