/* Streams on canvas tiles, coloured by how far one species can get or by how good they are for it. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});

  const NONE = 0, BLOCKED = 1, PARTIAL = 2, OPEN = 3;
  const COLOUR = { [NONE]: "#999999", [BLOCKED]: "#D55E00", [PARTIAL]: "#882255", [OPEN]: "#0072B2" };
  const FLECK = "#F6EDF1";
  const WIDTH = { [NONE]: 0.7, [BLOCKED]: 0.85, [PARTIAL]: 1.35, [OPEN]: 1.45 };
  /* How codes are drawn, and in which order; the dotted one far apart from the rest. */
  const ACCESS = { colour: COLOUR, width: WIDTH, drawn: [NONE, BLOCKED, PARTIAL, OPEN], dotted: NONE, flecked: PARTIAL };
  const TILE = 512, MARGIN = 8, ORDERS = 4, LONGEST_PATH = 1000;

  /* Leaflet rounds the zoom of tiles and stretches them between; these are drawn for any zoom, so they stay sharp.
     While fingers pinch, tiles are stretched and drawn anew at the end. */
  const sharpZoom = {
    _setView(center, zoom, noPrune, noUpdate) {
      const had = this._tileZoom;
      const between = noUpdate && had !== undefined;
      if (!between) {
        this._tileZoom = this._clampZoom(zoom);
        if (had !== this._tileZoom) {
          if (this._abortLoading) this._abortLoading();
          this._updateLevels();
          this._resetGrid();
        }
        this._update(center);
        if (!noPrune) this._pruneTiles();
        this._noPrune = !!noPrune;
      }
      this._setZoomTransforms(center, zoom);
    },
  };

  /* How large streams are on the screen: 0 where a reach is a dot, 1 where it is 80 pixels or more. */
  function nearness(pixels) {
    return Math.min(1, Math.max(0, (Math.log2(pixels) - 1) / 5.3));
  }

  const ReachLayer = L.GridLayer.extend({
    includes: sharpZoom,

    options: { tileSize: TILE, noWrap: true, updateWhenZooming: false, keepBuffer: 1, pane: "reaches" },

    initialize(options) {
      L.setOptions(this, options);
      this._waiting = [];
      this._states = null;
    },

    /* Show `store` for the species whose codes are given; tiles are painted over, not replaced. */
    show(store, states, look) {
      this._store = store;
      this._states = states;
      this._look = look || ACCESS;
      const { typical, n, vertices } = store.meta.reaches;
      this._typical = typical || 1;
      this._apart = (this._typical * n) / Math.max(1, vertices - n);
      for (const key in this._tiles) this._paint(this._tiles[key].el, this._tiles[key].coords);
      this.fire("shown");
    },

    createTile(coords, done) {
      const tile = document.createElement("canvas");
      const dense = Math.min(window.devicePixelRatio || 1, 2);
      tile.width = tile.height = TILE * dense;
      tile.setAttribute("aria-hidden", "true");
      this._waiting.push({ tile, coords, done });
      if (this._waiting.length === 1) setTimeout(() => this._work(), 0);
      return tile;
    },

    /* Paint waiting tiles, a few at a time, so that the page keeps answering. */
    _work() {
      const until = performance.now() + 40;
      while (this._waiting.length && performance.now() < until) {
        const { tile, coords, done } = this._waiting.shift();
        if (this._map && coords.z === this._tileZoom) this._paint(tile, coords);
        done(null, tile);
      }
      if (this._waiting.length) setTimeout(() => this._work(), 0);
    },

    /* Everything at once, before a page is printed. */
    finish() {
      while (this._waiting.length) {
        const { tile, coords, done } = this._waiting.shift();
        this._paint(tile, coords);
        done(null, tile);
      }
      for (const key in this._tiles) {
        const { el } = this._tiles[key];
        el.classList.add("leaflet-tile-loaded");
        el.style.opacity = "";
      }
    },

    _paint(tile, coords) {
      const store = this._store, ctx = tile.getContext("2d");
      ctx.setTransform(1, 0, 0, 1, 0, 0);
      ctx.clearRect(0, 0, tile.width, tile.height);
      if (!store || !this._states) return;
      const { zoom, x0, y0 } = store.meta.reaches, scale = 2 ** (coords.z - zoom);
      const dense = tile.width / TILE;
      ctx.setTransform(dense, 0, 0, dense, 0, 0);
      const view = { scale, dx: x0 * scale - coords.x * TILE, dy: y0 * scale - coords.y * TILE };
      const near = nearness(this._typical * scale);
      const groups = this._group(view);
      for (const state of this._look.drawn) {
        for (let order = 0; order < ORDERS; order++) {
          const lines = groups[state * ORDERS + order];
          if (lines.length) this._stroke(ctx, lines, view, state, order, near);
        }
      }
      if (this.sites) this.sites.paint(ctx, coords, TILE);
    },

    /* Lines of a tile by state and order. */
    _group(view) {
      const store = this._store, states = this._states, { scale, dx, dy } = view;
      const groups = Array.from({ length: this._look.drawn.length * ORDERS }, () => []);
      const at = (p, d) => (p - d) / scale;
      store.within(at(-MARGIN, dx), at(-MARGIN, dy), at(TILE + MARGIN, dx), at(TILE + MARGIN, dy), (i) => {
        const order = Math.min(ORDERS, Math.max(1, store.order[i])) - 1;
        groups[states[i] * ORDERS + order].push(i);
      });
      return groups;
    },

    _stroke(ctx, lines, view, state, order, near) {
      const width = this._width(state, order, near), { colour, dotted, flecked } = this._look;
      ctx.strokeStyle = colour[state];
      ctx.lineWidth = width;
      ctx.lineCap = width > 1.5 ? "round" : "butt";
      ctx.lineJoin = width > 1.5 ? "round" : "bevel";
      ctx.setLineDash(state === dotted && near > 0.5 ? [1, 3 + width] : []);
      this._trace(ctx, lines, view);
      if (state === flecked && near > 0.3) {
        ctx.strokeStyle = FLECK; // a pattern too, so that the colour need not be told apart
        ctx.lineWidth = width * 0.6;
        ctx.setLineDash([1 + 2 * near, 5 + 6 * near]);
        ctx.lineCap = "butt";
        this._trace(ctx, lines, view);
      }
    },

    /* Up to one pixel a line is drawn several times faster than above it: just above is not worth it. */
    _width(state, order, near) {
      const wanted = (0.6 + 0.95 * near ** 1.6 + order * (0.25 + 0.6 * near)) * this._look.width[state];
      return wanted < 1.3 ? Math.min(wanted, 1) : wanted;
    },

    /* Vertices close to the one before are passed over; where they stand far apart the line is rounded off. */
    _trace(ctx, lines, { scale, dx, dy }) {
      const { first, x, y } = this._store, rounded = this._apart * scale > 5;
      let drawn = 0;
      ctx.beginPath();
      for (const i of lines) {
        const last = first[i + 1] - 1;
        let px = x[first[i]] * scale + dx, py = y[first[i]] * scale + dy;
        ctx.moveTo(px, py);
        for (let v = first[i] + 1; v <= last; v++) {
          const qx = x[v] * scale + dx, qy = y[v] * scale + dy;
          if (v < last && Math.abs(qx - px) + Math.abs(qy - py) < 0.7) continue;
          if (rounded && v < last) {
            const rx = x[v + 1] * scale + dx, ry = y[v + 1] * scale + dy, end = v + 1 === last;
            ctx.quadraticCurveTo(qx, qy, end ? rx : (qx + rx) / 2, end ? ry : (qy + ry) / 2);
            if (end) break;
          } else ctx.lineTo(qx, qy);
          px = qx;
          py = qy;
          drawn++;
        }
        if (drawn > LONGEST_PATH) {
          ctx.stroke();
          ctx.beginPath();
          drawn = 0;
        }
      }
      ctx.stroke();
    },
  });

  br.reachLayer = (options) => new ReachLayer(options);
  br.STATE_WORDS = ["No habitat", "Blocked", "Partly open", "Open"];
})();
