/* Numbers for people: three digits, units that fit; what is not known says so. */
(function () {
  "use strict";
  const br = (window.barrierrank = window.barrierrank || {});

  const UNKNOWN = "not known";
  const FOOT = 0.3048, MILE = 1609.344;
  // [name of one, name of many, size in SI, used from this many on, whole numbers only]
  const LENGTHS = {
    metric: [[" m", " m", 1, 0, true], [" km", " km", 1000, 1, false]],
    us: [[" ft", " ft", FOOT, 0, true], [" mile", " miles", MILE, 0.2, false]],
  };
  const AREAS = {
    metric: [[" m²", " m²", 1, 0, true], [" ha", " ha", 1e4, 1, false], [" km²", " km²", 1e6, 10, false]],
    us: [[" sq ft", " sq ft", FOOT * FOOT, 0, true], [" acre", " acres", 43560 * FOOT * FOOT, 0.5, false],
      [" sq mile", " sq miles", MILE * MILE, 10, false]],
  };
  const COUNTS = (one, many) => [[" " + one, " " + many, 1, 0, false],
    [" million " + many, " million " + many, 1e6, 1, false]];
  const MONEY = [["", "", 1, 0, true], [" million", " million", 1e6, 1, false], [" billion", " billion", 1e9, 1, false]];
  const PLAIN = [["", "", 1, 0, false]];

  const grouped = new Intl.NumberFormat("en-GB", { maximumSignificantDigits: 3 });

  function written(value, units, before) {
    if (value === null || value === undefined || Number.isNaN(value)) return UNKNOWN;
    const size = Math.abs(value), least = units[0][4] ? 1 : 0.001;
    if (size > 0 && size < units[0][2] * least) return "less than " + (before || "") + least + units[0][1];
    let amount = 0, unit = units[0];
    for (const u of units) {
      let a = Number((size / u[2]).toPrecision(3));
      if (u[4] && a < 1000) a = Math.round(a);
      if (a >= u[3]) { amount = a; unit = u; }
    }
    const minus = value < 0 && amount > 0 ? "\u2212" : "";
    return (before || "") + minus + grouped.format(amount) + (amount === 1 ? unit[0] : unit[1]);
  }

  /* Functions that write in the units and money of one page. */
  br.formats = function (units, currency) {
    const length = (m) => written(m, LENGTHS[units]);
    const habitat = (amount, unit) =>
      unit === "m" ? length(amount) : written(amount, unit === "m2" ? AREAS[units] : COUNTS("unit", "units"));
    return {
      length, habitat,
      change(amount, unit) {
        if (amount === null || Number.isNaN(amount)) return UNKNOWN;
        if (amount === 0) return "no change";
        return (amount > 0 ? "+" : "") + habitat(amount, unit);
      },
      money: (v) => (currency ? written(v, MONEY, currency + " ") : written(v, MONEY)),
      worth: (v) => (currency ? written(v, MONEY, currency + " ") : written(v, COUNTS("point", "points"))),
      number: (v) => written(v, PLAIN),
      height(m) {
        if (m === null || m === undefined || Number.isNaN(m)) return UNKNOWN;
        const [name, size, places] = units === "us" ? [" ft", FOOT, 1] : [" m", 1, 2];
        const text = Math.abs(m / size).toFixed(places), none = Number(text) === 0;
        if (none && m > 0) return `less than ${10 ** -places}${name}`;
        return (m < 0 && !none ? "\u2212" : "") + text + name;
      },
      flow: (q) => (units === "us" ? written(q / FOOT ** 3, [[" ft³/s", " ft³/s", 1, 0, false]])
        : written(q, [[" m³/s", " m³/s", 1, 0, false]])),
      often: (years) => (years < 1.05 ? "every year" : years > 500 ? "less than once in 500 years" : `once in ${grouped.format(Number(years.toPrecision(2)))} years`),
      share(v) {
        if (v === null || v === undefined || Number.isNaN(v)) return UNKNOWN;
        if (v > 0 && v < 0.001) return "under 0.1\u00a0%";
        if (v < 1 && v > 0.999) return "over 99.9\u00a0%";
        return String(Number((v * 100).toPrecision(3))) + "\u00a0%";
      },
      count: (v) => new Intl.NumberFormat("en-GB").format(v),
    };
  };

  /* Element with text and children; text is only ever text. */
  br.make = function (tag, attributes, ...children) {
    const node = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (name === "class") node.className = value;
      else if (value !== null && value !== undefined) node.setAttribute(name, value);
    }
    for (const child of children) {
      if (child !== null && child !== undefined) node.append(child);
    }
    return node;
  };

  /* Texts in a row, empty ones left out. */
  br.joined = (texts, between) => texts.filter(Boolean).join(between);
})();
