/* Sites: the best-ranked as numbered marks that take the focus, the others painted on the tiles of streams. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});

  const INK = "#1B2F38", PAPER = "#FBFAF6", MARGIN = 10;
  br.PURPOSES = ["keep out", "let through", "both", "neither"];
  br.PURPOSE_CLASS = ["keep-out", "let-through", "both", "neither"];

  const SiteLayer = L.Layer.extend({
    initialize(options) {
      L.setOptions(this, options);
      this._marks = [];
      this._pins = new Map();
    },

    onAdd(map) {
      this._map = map;
      map.on("zoomend resize", this.unclutter, this);
    },

    onRemove(map) {
      map.off("zoomend resize", this.unclutter, this);
      for (const { marker } of this._pins.values()) marker.remove();
    },

    /* `table` has the columns of sites.py; `best` the best action's place in the list by site, -1 without. */
    show(table, actions, best) {
      const places = table.lat.map((lat, i) => L.latLng(lat / 1e5, table.lon[i] / 1e5));
      const ranked = table.rank.map((rank, i) => [rank, i]).filter(([rank]) => rank !== null);
      ranked.sort((a, b) => a[0] - b[0] || a[1] - b[1]);
      const numbered = new Set(ranked.slice(0, this.options.numbered).map(([, i]) => i));
      this._places = places;
      this._marks = [];
      places.forEach((place, i) => {
        if (!numbered.has(i)) this._marks.push(this._dot(place, i, table.snap[i] === null ? "off" : best[i] < 0 ? "idle" : "known"));
      });
      this.roomy = this._roomyZoom(places);
      for (const [rank, i] of ranked.slice(0, this.options.numbered)) this._pin(rank, i, table, actions, best[i]);
      this.unclutter();
    },

    /* `kind`: off the network, idle where no action is listed, or known. */
    _dot(place, i, kind) {
      const p = L.CRS.EPSG3857.latLngToPoint(place, 0);
      return { u: p.x / 256, v: p.y / 256, kind, site: i };
    },

    /* Paint the sites without a number onto a tile of the streams. */
    paint(ctx, coords, tileSize) {
      const world = 256 * 2 ** coords.z, size = this._size(coords.z);
      ctx.setLineDash([]);
      ctx.lineWidth = Math.max(0.8, size / 4);
      ctx.strokeStyle = INK;
      for (const { u, v, kind } of this._marks) {
        const x = u * world - coords.x * tileSize, y = v * world - coords.y * tileSize;
        if (x < -MARGIN || y < -MARGIN || x > tileSize + MARGIN || y > tileSize + MARGIN) continue;
        this._mark(ctx, x, y, size, kind);
      }
    },

    _mark(ctx, x, y, size, kind) {
      if (kind === "off") return this._cross(ctx, x, y, 0.8 * size);
      const idle = kind === "idle";
      ctx.fillStyle = idle || size < 1.5 ? INK : PAPER;
      if (size < 1.5) {
        ctx.fillRect(x - size, y - size, 2 * size, 2 * size);
        return;
      }
      ctx.beginPath();
      if (idle) {
        ctx.moveTo(x, y - size * 1.15);
        ctx.lineTo(x + size, y + size * 0.8);
        ctx.lineTo(x - size, y + size * 0.8);
        ctx.closePath();
      } else ctx.arc(x, y, size, 0, 2 * Math.PI);
      ctx.fill();
      ctx.stroke();
    },

    _cross(ctx, x, y, size) {
      ctx.beginPath();
      ctx.moveTo(x - size, y - size);
      ctx.lineTo(x + size, y + size);
      ctx.moveTo(x + size, y - size);
      ctx.lineTo(x - size, y + size);
      ctx.stroke();
    },

    /* Radius in pixels: smaller where marks crowd. */
    _size(zoom) {
      return Math.min(5, Math.max(0.7, 3.2 + 0.9 * (zoom - this.roomy)));
    },

    /* Zoom at which sites are some 40 pixels apart. */
    _roomyZoom(places) {
      if (places.length < 2) return 8;
      const b = L.latLngBounds(places), a = this._map.project(b.getNorthWest(), 0), c = this._map.project(b.getSouthEast(), 0);
      const apart = Math.sqrt(Math.max(1e-9, (c.x - a.x) * (c.y - a.y)) / places.length);
      return Math.log2(40 / apart);
    },

    _pin(rank, i, table, actions, row) {
      const name = table.name[i] || table.id[i];
      const kind = row < 0 ? "neither" : br.PURPOSE_CLASS[actions.purpose[row]];
      const paying = row >= 0 && actions.worth[row];
      const icon = L.divIcon({
        className: `pin pin-${kind}` + (paying ? "" : " pin-outline"), iconSize: null, html: br.make("span", {}, String(rank)),
      });
      const marker = L.marker(this._places[i], { icon, keyboard: true, zIndexOffset: -rank, riseOnHover: true, pane: "pins" });
      marker.addTo(this._map);
      const node = marker.getElement(), action = row < 0 ? "" : `, ${actions.action[row]}`;
      node.setAttribute("role", "button");
      node.setAttribute("aria-label", `Rank ${rank}: ${name}${action}`);
      node.title = `${rank}. ${name}`;
      marker.on("click", (e) => { L.DomEvent.stopPropagation(e); this.fire("choose", { site: i, from: node }); });
      node.addEventListener("keydown", (e) => {
        if (e.key !== "Enter" && e.key !== " ") return;
        e.preventDefault();
        e.stopPropagation();
        this.fire("choose", { site: i, from: node });
      });
      this._pins.set(i, { marker, node, rank });
    },

    /* Where marks would lie on one another the better-ranked keeps its number, the others shrink. */
    unclutter() {
      if (!this._map || !this._pins.size) return;
      const kept = [];
      for (const [i, { node, rank }] of this._pins) {
        const p = this._map.latLngToLayerPoint(this._places[i]), half = 10 + 3 * String(rank).length;
        const free = kept.every((k) => Math.abs(k.x - p.x) > 1.25 * (half + k.half) || Math.abs(k.y - p.y) > 30);
        node.classList.toggle("pin-small", !free);
        if (free) kept.push({ x: p.x, y: p.y, half });
      }
    },

    mark(site) {
      for (const [i, { node }] of this._pins) {
        node.classList.toggle("pin-chosen", i === site);
        if (i === site) node.setAttribute("aria-current", "true");
        else node.removeAttribute("aria-current");
      }
    },

    place(site) {
      return this._places[site];
    },

    pin(site) {
      return this._pins.get(site);
    },

    /* The site without a number nearest to a point of the screen, within `reach` pixels; -1 without. */
    nearest(point, reach) {
      const at = this._dot(this._map.containerPointToLatLng(point)), world = 256 * 2 ** this._map.getZoom();
      let best = -1, least = (reach / world) ** 2;
      for (const { u, v, site } of this._marks) {
        const d = (u - at.u) ** 2 + (v - at.v) ** 2;
        if (d < least) { least = d; best = site; }
      }
      return best;
    },
  });

  br.siteLayer = (options) => new SiteLayer(options);
})();
