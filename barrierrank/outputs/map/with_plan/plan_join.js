/* Joins a plan to a page that knows nothing of plans: it steps in where the page shows streams, sites and reaches. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const { make } = br;
  const ROOM = 120;  // pixels that are enough to show a site in

  /* Run `after(result, ...arguments)` each time `object[name]` has run. */
  function then(object, name, after) {
    const before = object[name].bind(object);
    object[name] = (...given) => {
      const result = before(...given);
      return after(result, ...given) || result;
    };
  }

  class Joined {
    constructor(page) {
      this.page = page;
      this.view = "before";
      this.shown = page.showSpecies.bind(page);
      page.showSpecies = (k) => this.showSpecies(k);
      page._bringIntoView = (place, nearer) => this._bringIntoView(place, nearer);
    }

    /* Everything is there once the page shows its first species. */
    async _begin() {
      const { page } = this, { store, list, panel, formats, sites } = page;
      const plan = (this.plan = new br.Plan(await store.json("plan"), store));
      const words = (this.words = new br.PlanWords(plan, panel, list, formats));
      br.markPlan(sites, plan, list.sites, list.actions, page._best(list.sites, list.actions));
      this._streams(page.reaches);
      then(list, "mark", (_, site) => words.mark(site));
      then(list, "_row", (item, { row }) => {
        const tag = words.tag(row);
        if (tag) item.querySelector(".row-words").append(tag);
      });
      list.update();
      this._panel(panel);
      for (const input of document.querySelectorAll('input[name="view"]')) {
        input.addEventListener("change", () => this.show(input.value));
      }
    }

    /* Access of the view chosen in place of the usual; quality of habitat has a look of its own and stays. */
    _streams(reaches) {
      const paint = reaches.show.bind(reaches);
      reaches.show = (store, states, look) => {
        const codes = look ? null : this.plan.codes(this.page.species, this.view);
        if (codes) paint(store, codes.states, codes.look);
        else paint(store, states, look);
      };
    }

    _panel(panel) {
      then(panel, "showSite", (_, site) => {
        const part = this.words.site(site);
        if (part) panel.body.firstElementChild.after(part);
      });
      const close = panel.close.bind(panel);
      panel.close = () => {
        const was = panel.isOpen;
        close();
        if (was && this._narrow()) document.activeElement.scrollIntoView({ block: "nearest" });
      };
      const reach = panel.showReach.bind(panel);
      panel.showReach = async (i, from) => {
        const turn = panel.turn + 1;
        await Promise.all([reach(i, from), ...panel.meta.species.map((_, k) => this.plan.ready(k))]);
        const place = panel.body.querySelector("section");
        if (turn === panel.turn && place) place.after(this.words.reach(i));
      };
    }

    _narrow() {
      return window.matchMedia("(max-width: 760px)").matches;
    }

    /* As a page without a plan does it, but clear of the legend too, which a plan makes taller. On a small screen the
       map is scrolled up first: else the panel lies on all of it. */
    _bringIntoView(place, nearer) {
      if (this._narrow()) this.page.map.getContainer().scrollIntoView({ block: "start" });
      const { map, panel, sites } = this.page, free = this._free(map, panel.box);
      const zoom = Math.round(nearer ? Math.max(map.getZoom(), Math.min(sites.roomy + 1, 15)) : map.getZoom());
      const seen = map.latLngToContainerPoint(place), { left, top, right, bottom } = free;
      const clear = seen.x > left + 30 && seen.y > top + 30 && seen.x < right - 30 && seen.y < bottom - 30;
      if (!nearer && clear) return;
      const middle = map.getSize().divideBy(2), wanted = L.point((left + right) / 2, (top + bottom) / 2);
      map.setView(map.unproject(map.project(place, zoom).add(middle).subtract(wanted), zoom), zoom, { animate: !this.page.still() });
    }

    /* The part of the map [pixels] that neither the panel nor the legend lies on. */
    _free(map, panel) {
      const frame = map.getContainer().getBoundingClientRect(), box = panel.getBoundingClientRect();
      const free = { left: 0, top: 0, right: frame.width, bottom: frame.height };
      if (box.left > frame.left + 40) free.right = Math.min(free.right, box.left - frame.left);
      else free.bottom = Math.min(free.bottom, Math.max(0, box.top - frame.top));
      const legend = document.getElementById("legend");
      if (!legend.open || legend.hidden) return free;
      const { right, top } = legend.getBoundingClientRect();
      if (free.right - (right - frame.left) > ROOM) free.left = right - frame.left;
      else if (top - frame.top > ROOM) free.bottom = Math.min(free.bottom, top - frame.top);
      return free;
    }

    show(view) {
      this.view = view;
      return this.page.showSpecies(this.page.species);
    }

    async showSpecies(k) {
      const { page } = this;
      page.species = k;
      this.begun = this.begun || this._begin();
      await this.begun;
      await this.plan.ready(k);
      if (page.species !== k) return;
      await this.shown(k);
      if (page.species === k) this._tell(k);
    }

    _tell(k) {
      const { page, plan, view } = this, { formats: f, meta } = page, quality = page.what === "quality";
      for (const part of document.querySelectorAll(".plan-view, #plan-meaning")) part.hidden = quality;
      for (const part of document.querySelectorAll("#legend [data-view]")) {
        part.hidden = (part.dataset.view === "change") !== (view === "change");
      }
      const lengths = plan.meta.lengths[view][k], total = lengths.reduce((a, b) => a + b, 0);
      const name = view === "change" ? "change" : "state";
      for (const row of document.querySelectorAll(`#legend [data-${name}]`)) {
        row.querySelector(".amount").textContent = br.amountOf(lengths[Number(row.dataset[name])], total, f);
      }
      const [habitat, before, after] = plan.columns.species.map((column) => f.habitat(column[k], meta.species[k].unit));
      document.getElementById("plan-meaning").replaceChildren("Habitat it can reach, mean over the years: ",
        make("b", {}, before), " before the plan, ", make("b", {}, after), ` after it, of ${habitat}.`);
    }
  }

  const start = br.start;
  br.start = function (parts) {
    start(parts);
    br.page.plan = new Joined(br.page);
  };
})();
