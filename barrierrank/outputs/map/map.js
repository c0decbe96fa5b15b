/* Brings the parts of the page together. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});
  const byId = (id) => document.getElementById(id);
  const INK = "#1B2F38";

  function drawWater(map, polygons) {
    const rings = polygons.map((rs) => rs.map((ring) => ring.map(([lon, lat]) => [lat / 1e5, lon / 1e5])));
    if (!rings.length) return;
    L.polygon(rings, { pane: "water", interactive: false, color: "#9DBBC8", weight: 1, fillColor: "#D5E4EA", fillOpacity: 1,
      smoothFactor: 1, renderer: L.svg({ pane: "water", padding: 0.5 }) }).addTo(map);
  }

  /* Amounts are kept in units whose three digits are the ones to show: back to metres and square metres. */
  function toMetres(sites, actions, meta) {
    const { scales } = meta.reaches, scaled = (column, by) => column.map((v) => (v === null ? null : v * by));
    sites.upstream = scaled(sites.upstream, scales.upstream);
    meta.species.forEach((_, k) => {
      const by = scales["habitat" + k];
      for (const name of ["above", "next", "blocked"]) sites[name + k] = scaled(sites[name + k], by);
      actions["gain" + k] = scaled(actions["gain" + k], by);
    });
  }

  /* Latitudes and longitudes of one line. */
  function latLngs(store, i) {
    const { zoom, x0, y0 } = store.meta.reaches, out = [];
    for (let v = store.first[i]; v < store.first[i + 1]; v++) {
      out.push(L.CRS.EPSG3857.pointToLatLng(L.point(store.x[v] + x0, store.y[v] + y0), zoom));
    }
    return out;
  }

  /* A length and its share of a whole. */
  br.amountOf = (length, total, formats) =>
    `${formats.length(length)} · ${total ? Math.round((100 * length) / total) : 0} %`;

  class Page {
    constructor(parts) {
      Object.assign(this, parts);
      this.meta = JSON.parse(byId("meta").textContent);
      this.formats = br.formats(this.meta.units, this.meta.currency);
      this.chosen = null;
    }

    async start() {
      const { map, meta } = this;
      const node = map.getContainer();
      node.setAttribute("role", "region");
      node.setAttribute("aria-label", "Map of streams and sites. Arrow keys move it, plus and minus zoom; the ranked list holds the same sites.");
      L.control.scale({ metric: meta.units === "metric", imperial: meta.units === "us", position: "bottomright", maxWidth: 140 }).addTo(map);
      // where there is room, the legend does not lie on the streams
      const beside = map.getSize().x > 900 ? 285 : 24;
      map.fitBounds(meta.bounds, { paddingTopLeft: [beside, 24], paddingBottomRight: [24, 24], animate: false });
      const store = (this.store = await br.open(meta));
      const [sites, actions, water] = await Promise.all(["sites", "actions", "water"].map((n) => store.json(n)));
      drawWater(map, water);
      toMetres(sites, actions, meta);
      this.quality = meta.quality ? new br.Quality(store) : null;
      const passage = "passage" in meta.sections ? new br.Passage(await store.json("passage"), meta, this.formats) : null;
      const intervals = "intervals" in meta.sections
        ? new br.Intervals(await store.json("intervals"), actions, sites, this.formats) : null;
      const data = { store, sites, actions, meta, quality: this.quality, passage, intervals };
      this.list = new br.RankedList(data, this.formats, (site, from) => this.chooseSite(site, from));
      this.panel = new br.Panel(data, this.formats, (site) => this.chooseSite(site, null), () => this.unchoose());
      this.sites.show(sites, actions, this._best(sites, actions));
      this.sites.on("choose", ({ site, from }) => this.chooseSite(site, from, true));
      this.reaches.sites = this.sites;
      this._listen();
      await this.showSpecies(0);
      byId("loading").remove();
      performance.mark("drawn");
      document.documentElement.dataset.ready = "true";
    }

    _best(sites, actions) {
      const best = new Array(sites.id.length).fill(-1);
      actions.site.forEach((site, row) => { if (actions.best[row] || best[site] < 0) best[site] = row; });
      return best;
    }

    _listen() {
      const { map } = this;
      for (const input of document.querySelectorAll('input[name="show"]')) {
        input.addEventListener("change", () => this.showWhat(input.value));
      }
      for (const input of document.querySelectorAll('input[name="species"]')) {
        input.addEventListener("change", () => this.showSpecies(Number(input.value)));
      }
      map.on("click", (e) => this._pick(e));
      map.on("mousemove", (e) => this._hover(e));
      document.addEventListener("keydown", (e) => {
        if (e.key === "Escape" && this.panel.isOpen) this.panel.close();
      });
      window.addEventListener("beforeprint", () => this._toPaper());
      window.addEventListener("afterprint", () => this._toScreen());
      const narrow = window.matchMedia("(max-width: 760px)");
      if (narrow.matches) byId("legend").open = false;
      this._bases();
    }

    /* Print the map as it stands on the screen, scaled to the paper, with the notes open. */
    _toPaper() {
      this.reaches.finish();
      const box = document.querySelector(".mapbox"), { width, height } = box.getBoundingClientRect();
      box.style.setProperty("--print-width", `${width}px`);
      box.style.setProperty("--print-height", `${height}px`);
      box.style.setProperty("--print-zoom", String(Math.min(1, 680 / width)));
      this.folded = [...document.querySelectorAll("details:not([open])")];
      for (const part of this.folded) part.open = true;
    }

    _toScreen() {
      for (const part of this.folded || []) part.open = false;
    }

    /* Base maps from elsewhere: only where the page was made with them, and only once chosen. */
    _bases() {
      const note = byId("base-note");
      if (!note) return;
      this.map.attributionControl && this.map.attributionControl.setPrefix(false);
      for (const input of document.querySelectorAll('input[name="base"]')) {
        input.addEventListener("change", () => {
          note.textContent = "";
          this.bases.forEach((layer, k) => {
            if (String(k) === input.value) layer.addTo(this.map);
            else layer.remove();
          });
        });
      }
      for (const layer of this.bases) {
        layer.on("tileerror", () => { note.textContent = "The background could not be loaded; the map works without."; });
      }
    }

    /* What the streams show: "access" or "quality". */
    showWhat(what) {
      this.what = what;
      for (const part of document.querySelectorAll("#legend [data-show]")) part.hidden = part.dataset.show !== what;
      return this.showSpecies(this.species);
    }

    async _showQuality(k) {
      const codes = await this.quality.codes(k);
      if (this.species !== k || this.what !== "quality") return;
      this.reaches.show(this.store, codes, this.quality.look);
      byId("meaning").textContent = this.quality.meaning(k);
      this.quality.tell(k, this.formats);
    }

    async showSpecies(k) {
      this.species = k;
      if (this.what === "quality") {
        await this._showQuality(k);
        return;
      }
      const states = await this.store.states(k), { meta, formats } = this, s = meta.species[k];
      if (this.species !== k || this.what === "quality") return;
      this.reaches.show(this.store, states);
      byId("meaning").textContent = s.role === "invasive"
        ? `${s.label} is an invader: streams open to it are where it can breed, which is not wanted.`
        : `${s.label} is a native: streams open to it are what is wanted.`;
      const total = meta.lengths[k].reduce((a, b) => a + b, 0);
      for (const row of document.querySelectorAll("#legend [data-state]")) {
        const length = meta.lengths[k][Number(row.dataset.state)];
        row.querySelector(".amount").textContent = br.amountOf(length, total, formats);
      }
    }

    _place(event) {
      const { zoom, x0, y0 } = this.meta.reaches, p = L.CRS.EPSG3857.latLngToPoint(event.latlng, zoom);
      return [p.x - x0, p.y - y0, 2 ** (zoom - this.map.getZoom())];
    }

    _under(event, pixels) {
      const site = this.sites.nearest(event.containerPoint, pixels);
      if (site >= 0) return { site };
      const [x, y, scale] = this._place(event), reach = this.store.nearest(x, y, pixels * scale);
      return reach >= 0 ? { reach } : {};
    }

    _pick(event) {
      const touch = window.matchMedia("(pointer: coarse)").matches;
      const { site, reach } = this._under(event, touch ? 16 : 8);
      if (site !== undefined) this.chooseSite(site, this.map.getContainer(), true);
      else if (reach !== undefined) this.chooseReach(reach);
      else this.panel.close();
    }

    _hover(event) {
      if (this.hovering) return;
      this.hovering = requestAnimationFrame(() => {
        this.hovering = 0;
        const { site, reach } = this._under(event, 6);
        this.map.getContainer().classList.toggle("on-something", site !== undefined || reach !== undefined);
      });
    }

    chooseSite(site, from, onMap) {
      this.panel.showSite(site, from);
      this.sites.mark(site);
      this.list.mark(site);
      this._route(this.list.sites.reach[site], this.sites.place(site));
      this._bringIntoView(this.sites.place(site), !onMap);
    }

    async chooseReach(i) {
      this.sites.mark(-1);
      this.list.mark(-1);
      this._route(i, null);
      await this.panel.showReach(i, this.map.getContainer());
    }

    /* The way from the receiving water up to a place, under the streams; a ring round a site. */
    _route(reach, place) {
      if (this.chosen) this.chosen.remove();
      this.chosen = L.layerGroup().addTo(this.map);
      const svg = (this.svg = this.svg || L.svg({ pane: "route", padding: 0.3 }));
      if (reach >= 0) {
        const lines = this.store.route(place ? Math.max(-1, this.store.down[reach]) : reach).map((i) => latLngs(this.store, i));
        const style = { pane: "route", renderer: svg, interactive: false };
        L.polyline(lines, { ...style, color: "#E9C46A", weight: 9, opacity: 0.75 }).addTo(this.chosen);
        if (!place) L.polyline(latLngs(this.store, reach), { ...style, color: INK, weight: 11, opacity: 0.35 }).addTo(this.chosen);
      }
      if (place && !this.sites.pin(this.list.chosen)) {
        L.circleMarker(place, { pane: "route", renderer: svg, interactive: false, radius: 11, color: INK, weight: 2.5, fill: false })
          .addTo(this.chosen);
      }
    }

    unchoose() {
      if (this.chosen) this.chosen.remove();
      this.chosen = null;
      this.sites.mark(-1);
      this.list.mark(-1);
    }

    /* Move the map so that a place is not under the panel; from the list also nearer. */
    _bringIntoView(place, nearer) {
      const { map, panel } = this, size = map.getSize();
      const box = panel.box.getBoundingClientRect(), frame = map.getContainer().getBoundingClientRect();
      const beside = box.left > frame.left + 40;
      const right = beside ? Math.max(0, frame.right - box.left) : 0;
      const bottom = beside ? 0 : Math.max(0, frame.bottom - box.top);
      const zoom = nearer ? Math.max(map.getZoom(), Math.min(this.sites.roomy + 1, 15)) : map.getZoom();
      const target = map.project(place, Math.round(zoom)).add([right / 2, bottom / 2]);
      const seen = map.latLngToContainerPoint(place);
      const clear = seen.x > 30 && seen.y > 30 && seen.x < size.x - right - 30 && seen.y < size.y - bottom - 30;
      if (nearer || !clear) map.setView(map.unproject(target, Math.round(zoom)), Math.round(zoom), { animate: !this.still() });
    }

    still() {
      return window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    }
  }

  br.start = function (parts) {
    for (const [name, z] of [["water", 150], ["route", 210], ["reaches", 250], ["pins", 620]]) {
      const pane = parts.map.getPane(name) || parts.map.createPane(name);
      pane.style.zIndex = z;
      if (name !== "pins") pane.style.pointerEvents = "none";
    }
    const page = (br.page = new Page(parts));
    page.start().catch((error) => {
      const note = byId("loading");
      if (note) note.textContent = `The map could not be drawn: ${error.message}`;
      throw error;
    });
  };
})();
