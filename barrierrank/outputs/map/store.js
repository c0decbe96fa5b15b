/* Reads the package of the page: base64 of deflated sections; see encode.py and lines.py for what is in them. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});

  function bytesOf(base64) {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(base64);
    const text = atob(base64), out = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) out[i] = text.charCodeAt(i);
    return out;
  }

  async function inflated(bytes) {
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  /* Groups of seven bits, lowest first. Sums, not shifts, above 28 bits: ids may be longer than 32. */
  function varints(bytes, count, Kind) {
    const out = new Kind(count);
    let at = 0;
    for (let i = 0; i < count; i++) {
      let byte = bytes[at++], value = byte & 127, factor = 128;
      while (byte & 128) {
        byte = bytes[at++];
        value += (byte & 127) * factor;
        factor *= 128;
      }
      out[i] = value;
    }
    return out;
  }

  const unfold = (v) => (v >>> 1) ^ -(v & 1);
  const unfoldLong = (v) => (v % 2 ? -(v + 1) / 2 : v / 2);

  /* Three-digit numbers: 0 is missing, else 1 + m + 1000 e for m * 10^(e - 3). */
  function significant(code) {
    if (code === 0) return NaN;
    const power = Math.floor((code - 1) / 1000) - 3, m = (code - 1) % 1000;
    return power < 0 ? m / 10 ** -power : m * 10 ** power;
  }

  class Store {
    constructor(bytes, index, meta) {
      this.bytes = bytes;
      this.index = index;
      this.meta = meta;
      this.n = meta.reaches.n;
      this.kept = new Map();
    }

    section(name) {
      const [at, length] = this.index[name];
      return inflated(this.bytes.subarray(at, at + length));
    }

    async json(name) {
      return JSON.parse(new TextDecoder().decode(await this.section(name)));
    }

    /* Lines: whole-number coordinates, each from its foot to its head. */
    async readLines() {
      const [down, count, xs, ys] = await Promise.all(["down", "count", "x", "y"].map((s) => this.section(s)));
      const n = this.n, total = this.meta.reaches.vertices;
      this.down = varints(down, n, Int32Array);
      const counts = varints(count, n, Uint32Array), first = new Uint32Array(n + 1);
      for (let i = 0; i < n; i++) {
        first[i + 1] = first[i] + counts[i];
        this.down[i] = this.down[i] ? i - this.down[i] : -1;
      }
      this.first = first;
      this.x = this.walk(varints(xs, total, Int32Array));
      this.y = this.walk(varints(ys, total, Int32Array));
      this.order = await this.section("strahler");
      this.boxes();
    }

    /* Sum up differences: a line goes on from the head of the one it drains to, an outlet from the outlet before. */
    walk(steps) {
      const { first, down, n } = this;
      let root = 0;
      for (let i = 0; i < n; i++) {
        const from = first[i], to = first[i + 1];
        let at;
        if (down[i] >= 0) at = steps[first[down[i] + 1] - 1];
        else at = root;
        for (let v = from; v < to; v++) {
          at += unfold(steps[v]);
          steps[v] = at;
        }
        if (down[i] < 0) root = steps[from];
      }
      return steps;
    }

    /* Boxes of lines and of blocks of 64 lines: x least, y least, x most, y most. */
    boxes() {
      const { first, x, y, n } = this, blocks = Math.ceil(n / 64);
      const box = new Int32Array(4 * n), block = new Int32Array(4 * blocks);
      for (let b = 0; b < blocks; b++) {
        block[4 * b] = block[4 * b + 1] = 0x7fffffff;
        block[4 * b + 2] = block[4 * b + 3] = -0x80000000;
      }
      for (let i = 0; i < n; i++) {
        let x0 = 0x7fffffff, y0 = 0x7fffffff, x1 = -0x80000000, y1 = -0x80000000;
        for (let v = first[i]; v < first[i + 1]; v++) {
          if (x[v] < x0) x0 = x[v];
          if (x[v] > x1) x1 = x[v];
          if (y[v] < y0) y0 = y[v];
          if (y[v] > y1) y1 = y[v];
        }
        box.set([x0, y0, x1, y1], 4 * i);
        const b = 4 * (i >> 6);
        block[b] = Math.min(block[b], x0);
        block[b + 1] = Math.min(block[b + 1], y0);
        block[b + 2] = Math.max(block[b + 2], x1);
        block[b + 3] = Math.max(block[b + 3], y1);
      }
      this.box = box;
      this.block = block;
    }

    /* Call `visit` with every line whose box meets the given one. */
    within(x0, y0, x1, y1, visit) {
      const { box, block, n } = this;
      for (let b = 0; b < block.length; b += 4) {
        if (block[b] > x1 || block[b + 2] < x0 || block[b + 1] > y1 || block[b + 3] < y0) continue;
        const end = Math.min(n, (b / 4 + 1) * 64);
        for (let i = (b / 4) * 64; i < end; i++) {
          const k = 4 * i;
          if (box[k] <= x1 && box[k + 2] >= x0 && box[k + 1] <= y1 && box[k + 3] >= y0) visit(i);
        }
      }
    }

    /* The line nearest to a place, within `reach`; -1 where there is none. */
    nearest(px, py, reach) {
      const { first, x, y } = this;
      let best = -1, least = reach * reach;
      this.within(px - reach, py - reach, px + reach, py + reach, (i) => {
        for (let v = first[i] + 1; v < first[i + 1]; v++) {
          const ax = x[v - 1], ay = y[v - 1], dx = x[v] - ax, dy = y[v] - ay, long = dx * dx + dy * dy;
          let t = long ? ((px - ax) * dx + (py - ay) * dy) / long : 0;
          t = t < 0 ? 0 : t > 1 ? 1 : t;
          const ex = ax + t * dx - px, ey = ay + t * dy - py, d = ex * ex + ey * ey;
          if (d < least) { least = d; best = i; }
        }
      });
      return best;
    }

    /* Lines from `i` down to the outlet, `i` first. */
    route(i) {
      const out = [];
      for (; i >= 0; i = this.down[i]) out.push(i);
      return out;
    }

    async states(species) {
      return this.once("state" + species, () => this.section("state" + species));
    }

    once(key, make) {
      if (!this.kept.has(key)) this.kept.set(key, make());
      return this.kept.get(key);
    }

    numbers(name) {
      return this.once(name, async () => {
        const codes = varints(await this.section(name), this.n, Uint16Array);
        const scale = this.meta.reaches.scales[name];
        return (i) => significant(codes[i]) * scale;
      });
    }

    shares(name) {
      return this.once(name, async () => {
        const codes = varints(await this.section(name), this.n, Int16Array);
        for (let i = 0; i < this.n; i++) codes[i] = unfold(codes[i]) + (this.down[i] < 0 ? 0 : codes[this.down[i]]);
        return (i) => (codes[i] === 0 ? NaN : (codes[i] - 1) / 1000);
      });
    }

    ids() {
      return this.once("source", async () => {
        const data = await this.section("source");
        if (this.meta.reaches.source === "lines") {
          const lines = new TextDecoder().decode(data).split("\n");
          return (i) => lines[i];
        }
        const values = varints(data, this.n, Float64Array);
        for (let i = 0, at = 0; i < this.n; i++) values[i] = at += unfoldLong(values[i]);
        return (i) => String(values[i]);
      });
    }

    /* Everything there is to say about one reach. */
    async reach(i) {
      const species = this.meta.species.map(async (_, k) => ({
        access: (await this.shares("access" + k))(i),
        habitat: (await this.numbers("habitat" + k))(i),
        state: (await this.states(k))[i],
      }));
      return {
        source: (await this.ids())(i),
        order: this.order[i],
        length: (await this.numbers("length"))(i),
        upstream: (await this.numbers("upstream"))(i),
        species: await Promise.all(species),
      };
    }
  }

  /* Opens the package that stands in the page, and lets go of its text. */
  br.open = async function (meta) {
    const block = document.getElementById("package");
    const bytes = bytesOf(block.textContent);
    block.remove();
    const store = new Store(bytes, meta.sections, meta);
    await store.readLines();
    return store;
  };
  br.varints = varints;
  br.significant = significant;
})();
