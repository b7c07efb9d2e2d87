"use strict";
// The page shows what the last event said, and nothing once that is old. It
// sends nothing but requests to read.

(() => {
  const deadAfter = 2000; // ms without an event, or an event this late
  const meanings = { "DANGER": "danger", "CAUTION": "caution", "IN ORDER": "order", "YOUR TURN": "act", "WATCHING": "watch" };
  const $ = id => document.getElementById(id);

  let stream = null, last = null, dead = true, shown = null;
  // How late an event is, against the least of this run: the two clocks have
  // no common zero, and may drift apart by a ten-thousandth.
  let run = "", least = null, leastAt = 0, late = 0;
  let began = null; // ms, local; null where the pad's clock was never set

  function text(e, s) { if (e.textContent !== s) e.textContent = s; }

  // say breaks lines between sentences first, and never inside what must be
  // read in one go.
  function say(e, s) {
    if (e.textContent === s) return;
    e.textContent = "";
    s.split(/(?<=\.) /).forEach((part, i) => {
      if (i) e.append(" ");
      const span = node("span", "part");
      span.append(...unbroken(part, /(KEEP OUT|RELAY OPEN:|STAND CLEAR:|IT DOWN\.|NOT REMOVED:|hard-wired|(?:stay|everybody) clear)/));
      e.append(span);
    });
  }

  // unbroken are the bits of a text, those that must stay in one line as such:
  // without another pattern, a number and its unit, and the name of a flag.
  const measured = /(\d (?:[kM]?[NWVA]|mV|mAh|Ah|Wh|kgf|lbf|kg|lb|g|m|cm|mm|ft|in|km\/h|kt|mph|ft\/s|m\/s|ms|s|min|h|d|deg\/s|deg|rad|°C|°F|Pa|hPa|psi|Hz|rpm|%)(?![\w\/])|--[a-z]+)/;
  function unbroken(s, what = measured) {
    return s.split(what).map((bit, i) => i % 2 ? node("span", "one", bit) : bit);
  }

  // put is text whose measures stay in one line.
  function put(e, s) {
    if (e.textContent !== s) e.replaceChildren(...unbroken(s));
  }

  // fill makes the children of e say these rows; what says so already stays,
  // so that a screen reader is told of changes alone.
  function fill(e, rows, make) {
    while (e.children.length > rows.length) e.lastElementChild.remove();
    rows.forEach((row, i) => {
      const key = JSON.stringify(row);
      let c = e.children[i];
      if (c && c.dataset.key === key) return;
      const n = make(row);
      n.dataset.key = key;
      if (c) c.replaceWith(n); else e.append(n);
    });
  }

  function node(name, cls, ...kids) {
    const n = document.createElement(name);
    if (cls) n.className = cls;
    n.append(...kids);
    return n;
  }

  function listOf(id, rows, make) {
    $(id).hidden = rows.length === 0;
    fill($(id).querySelector("ul,ol"), rows, make || (row => node("li", "", ...unbroken(row))));
    count(id, rows.length < 2 ? "" : id === "causes" ? ", and " + (rows.length - 1) + " behind it" : " (" + rows.length + " reasons)");
  }

  // count says beside a heading what may lie below the screen's edge.
  function count(id, s) {
    const e = document.querySelector("#" + id + " .count");
    if (e) text(e, s);
  }

  function pairs(id, rows) {
    $(id).hidden = rows.length === 0;
    const flat = [];
    for (const [k, v] of rows) flat.push(["dt", k], ["dd", v]);
    fill($(id).querySelector("dl"), flat, ([kind, s]) => node(kind, "", ...unbroken(s)));
  }

  function kill(why) {
    text($("deadwhy"), why);
    if (dead) return;
    dead = true;
    document.body.className = "dead";
    document.title = "NO DATA - Downhaul";
    // What was shown is gone from the page itself, for eyes and readers alike.
    for (const id of ["means", "left", "sentence", "keepout", "age", "windsays", "windkey", "windbox", "session"]) $(id).textContent = "";
    for (const e of document.querySelectorAll("main ul, main ol, main dl, main tbody, main .count")) e.textContent = "";
    shown = null;
    scrollTo(0, 0);
  }

  function ruleWord(r) {
    if (r.demand) return ["STOP", "stop"];
    if (r.missing) return ["MISSING", "missing"];
    if (r.caution) return ["CAUTION", "caution"];
    if (!r.in_force) return ["resting", "rest"];
    return ["ok", ""];
  }

  // ranked are the limits with the most urgent word first, the nearest first among those
  // of one word; and how many there are of each.
  function ranked(rules) {
    const words = ["STOP", "MISSING", "CAUTION", "ok", "resting"], room = r => r.headroom === null || !r.limit ? Infinity : r.headroom / Math.abs(r.limit),
      by = words.map(w => rules.filter(r => ruleWord(r)[0] === w).sort((a, b) => room(a) === room(b) ? 0 : room(a) - room(b)));
    const says = words.map((w, i) => by[i].length + "\u00a0" + w).filter((s, i) => by[i].length);
    return [by.flat(), ": " + says.join(", ")];
  }

  // when is an instant for people: local time of day, where the clock was set, and the
  // seconds since the start.
  function when(at, digits) {
    return (began === null ? "" : new Date(began + at * 1000).toISOString().slice(11, 19) + ", ") + at.toFixed(digits) + " s";
  }

  function duration(s) {
    return s < 120 ? s.toFixed(0) + " s" : (s / 60).toFixed(0) + " min";
  }

  function show(f) {
    const s = f.status;
    began = f.began_local_ms;
    const cls = meanings[s.meaning] || "danger";
    if (document.body.className !== cls) document.body.className = cls;
    dead = false;
    text($("means"), (s.mark ? "REHEARSAL. " : "") + s.meaning);
    text($("left"), s.grace_left_s === null || s.grace_left_s === undefined ? "" : Math.ceil(s.grace_left_s) + " s");
    say($("sentence"), s.sentence);
    text($("keepout"), s.keep_out && !/KEEP OUT/.test(s.sentence) ? "KEEP OUT" : "");
    const title = (s.mark ? "REHEARSAL: " : "") + s.sentence.split(/[.:]/)[0] + " - Downhaul";
    if (document.title !== title) document.title = title;
    fit();

    listOf("do", s.do_now);
    listOf("notready", s.not_ready_because);
    listOf("causes", s.causes.length ? s.causes : s.first_cause ? [{ first: true, text: s.first_cause, at_s: null }] : [], c => {
      const li = node("li", c.first ? "first" : "");
      const came = c.at_s === null ? "" : c.first ? " at " + when(c.at_s, 2) : " " + c.after_s.toFixed(2) + " s later";
      li.append(node("span", "tag" + (c.first ? " stop" : ""), c.first ? "FIRST" : c.part ? "with it" : "then"), ...unbroken(came + ": " + c.text));
      if (c.stop) li.append(" (" + c.stop + " stop)");
      if (c.now) li.append(" - " + c.now);
      return li;
    });
    listOf("trouble", s.trouble);
    $("limits").hidden = s.rules.length === 0;
    const [limits, words] = ranked(s.rules);
    count("limits", words);
    fill(document.querySelector("#limits tbody"), limits.map(r =>
      [ruleWord(r), r.name, r.rests_on, r.missing || !r.value_text ? r.now : r.value_text, r.limit_text, r.missing ? "none" : r.headroom_text || "unknown", r.beside || ""]),
      ([word, name, rests, now, limit, headroom, beside]) => {
        const th = node("th", "", name, node("span", "small", rests === "own sensor" ? "own sensor" : "rests on " + rests));
        if (beside) th.append(node("span", "small", ...unbroken(beside)));
        th.scope = "row";
        const cell = (label, s, cls) => { const td = node("td", cls || "", ...unbroken(s)); td.dataset.label = label; return td; };
        const row = node("tr", "", node("td", "", node("span", "tag " + word[1], word[0])), th);
        if (headroom !== "none") {
          row.append(cell("now", now), cell("limit", limit), cell("headroom", headroom.replace(/^-/, "by "), "most"));
          if (headroom.startsWith("-")) row.lastChild.prepend(node("span", "past", "PAST IT"));
          return row;
        }
        row.className = "bare"; // why there is no value wants the room of all three
        row.append(cell("now", now + "; limit " + limit + "; headroom none"));
        row.lastChild.colSpan = 3;
        return row;
      });

    const said = {};
    for (const c of s.channels) said[c.channel] = c;
    // Said with every event: the picture alone comes more slowly.
    const wind = n => said[n] && said[n].shown !== null ? said[n].shown.toFixed(1) + " " + said[n].shown_unit : "missing";
    const mean = [["wind.mean10min", "10 min"], ["wind.mean2min", "2 min"]].find(([n]) => said[n] && said[n].shown !== null);
    put($("windsays"), said["wind.speed"] ? "Now " + wind("wind.speed") + ", gust " + wind("wind.gust3s") +
      (mean ? ", mean over " + mean[1] + " " + wind(mean[0]) : "") + "." : "");
    const value = c => c.cause ? (c.value === null ? c.cause : c.text + " (" + c.cause + ")") : c.text;
    const group = test => s.channels.filter(c => test(c.channel)).map(c => [c.channel === "craft.apex" ? "top if power is cut now" : c.says.split(/[,(;]/)[0].trim(), value(c)]);
    pairs("packs", (s.declared && s.declared.packs && s.declared.packs.length ? [["declared", s.declared.packs.join(", ")]] : [])
      .concat(group(n => /^(pack|supply)/.test(n))).concat((s.packs || []).map(p => ["pack " + p.pack + ", on record", p.starts + (p.starts === 1 ? " start, " : " starts, ") +
        (p.live_s < 3600 ? (p.live_s / 60).toFixed(0) + " min" : (p.live_s / 3600).toFixed(1) + " h") + " with power on, " + p.full_output_s.toFixed(0) + " s at full output"])));
    pairs("craft", [["armed", s.armed_says], ["in the air", s.in_the_air]]
      .concat(group(n => /^(craft|tether|motor|rotor)/.test(n))));
    pairs("link", group(n => /^(link|radio)/.test(n)).concat([["frames heard", String(s.link.frames)], ["of other senders", String(s.link.other_senders)],
      ["from a wrong address", String(s.link.wrong_address)], ["repeated", String(s.link.repeated)], ["bad bytes", String(s.link.bad_bytes)]]));
    pairs("step", stepRows(s.declared));
    listOf("permissives", s.permissives.map(p => [p.holds, (p.name ? p.name + ": " : "") + p.condition + "; now " + p.now]), ([holds, s]) =>
      node("li", "", node("span", "tag" + (holds ? "" : " caution"), holds ? "holds" : "LACKING"), " ", ...unbroken(s)));
    const lacking = s.permissives.filter(p => !p.holds).length;
    count("permissives", ": " + (lacking ? lacking + " of " + s.permissives.length + " LACKING" : "all hold"));
    listOf("says", (s.craft_says || []).map(w => [when(w.at_s, 1), w.severity, w.text])
      .concat(s.craft_says_not_kept ? [["and " + s.craft_says_not_kept + " that came too fast to be kept"]] : []),
      ([at, severity, words]) => severity ? node("li", "", at + " ", node("span", "tag", severity), " ", node("q", "", words)) : node("li", "", at));
    listOf("acts", s.acts.slice().reverse().map(a => when(a.at_s, 1) + ": " + a.what + " (" + a.by + ")"));
    listOf("unseen", s.unseen);
    text($("session"), s.title + ". Session " + s.session + ", duty " + s.duty + (s.mark ? ", " + s.mark : "") + ". " +
      (began === null ? "Seconds count from the start: " + f.began + "." : "Began " + f.began + "; times of day are local, seconds count from there."));
    shown = s;
  }

  // stepRows are what the crew declared and what the test card asks.
  function stepRows(d) {
    if (!d) return [];
    const rows = [];
    if (d.card) rows.push(["test card", d.card], ["craft", d.craft], ["step", d.step || "none declared"]);
    if (d.wind) rows.push(["wind by hand", d.wind.text + ", " + duration(d.wind.age_s) + " ago: " + d.wind.says]);
    for (const c of d.conditions || []) rows.push(["the crew sees to", c]);
    return rows;
  }

  // fit makes the sentence as large as the band may be, and KEEP OUT beside it.
  function fit() {
    const h = $("sentence"), left = $("left"), key = h.textContent + innerWidth + "x" + innerHeight + $("keepout").textContent + left.textContent.length;
    if (h.dataset.fit === key) return;
    h.dataset.fit = key;
    // What counts down stands over the sentence on a tall screen, and beside it on a wide one.
    const most = innerHeight * 0.34 - (left.textContent && left.offsetTop < h.offsetTop - 1 && left.offsetLeft >= h.offsetLeft ? left.offsetHeight : 0);
    const largest = flow => {
      h.className = flow;
      let low = 16, high = 260;
      while (high - low > 1) {
        const mid = (low + high) / 2;
        h.style.fontSize = mid + "px";
        if (h.scrollHeight <= most && h.scrollWidth <= h.clientWidth + 1) low = mid; else high = mid;
      }
      return low;
    };
    // A new line for each sentence reads best, unless that makes it smaller.
    const parts = largest(""), flowing = largest("flow");
    if (flowing < parts * 1.05) h.className = "";
    const size = Math.floor(h.className ? flowing : parts);
    h.style.fontSize = size + "px";
    $("keepout").style.fontSize = innerHeight > 500 ? "max(1.5rem, " + Math.floor(size / 2) + "px)" : "";
  }

  function age(now) {
    const s = shown;
    if (dead || !s) return;
    const old = s.age + late / 1000 + (now - last) / 1000;
    const forS = " for " + duration(s.at_s - s.since_s);
    let line = "Data " + old.toFixed(1) + " s old. " + (s.duty === "watch" ? "Watching" + forS + "; works no relay" :
      "Relay " + (s.relay_on ? "closed" : s.state === "fault" ? "commanded open" : "open") + ". State: " + s.state + forS) + ". Sound: " + s.sound;
    if (s.sound_silenced) line += " (silenced; its cause stands)";
    if (s.flash) line += ". Lamp flashed for " + s.flash.state + " " + (began === null ? duration(s.flash.ago_s) + " ago" : "at " + when(s.flash.at_s, 2));
    text($("age"), line + ".");
  }

  function onFrame(f) {
    const now = performance.now(), d = now - f.t_ms;
    if (f.panel !== run) { run = f.panel; least = null; }
    if (least !== null) least += (now - leastAt) * 1e-4;
    if (least === null || d < least) least = d;
    leastAt = now;
    late = d - least;
    last = now;
    if (f.dead || !f.status) return kill(f.dead || "The guard's answer was empty.");
    if (late > deadAfter) return kill("Data comes " + (late / 1000).toFixed(0) + " s late.");
    try {
      f.status.age = f.age_s;
      show(f);
      age(now);
    } catch (e) {
      kill("This page does not understand the guard: are both of one version?");
    }
  }

  function onWind(w) {
    if (dead) return;
    const n = v => v === null ? "missing" : v.toFixed(1) + " " + w.unit;
    const seen = w.now !== null || w.points.length > 0;
    $("wind").hidden = !seen;
    if (!seen) return;
    const says = "Now " + n(w.now) + ", gust " + n(w.gust) + (w.mean === null ? "" : ", mean over " + w.mean_of + " " + n(w.mean)) + ".";
    const most = w.points.reduce((m, p) => p[2] !== null && (m === null || p[2] > m) ? p[2] : m, null);
    const unnamed = windDrawing.draw($("windbox"), w, "Wind over the last ten minutes. " + says + (most === null ? "" : " Highest gust shown " + n(most) + "."));
    const min = w.points.length ? Math.ceil(w.points[0][0] / 60) : 0;
    text($("windkey"), "Thick line: mean over 5 s, in " + w.unit + ". Dotted: highest 3 s gust. Dashed: limits. " +
      (unnamed.length ? "Not named in the picture: " + unnamed.join("; ") + ". " : "") +
      (min < 10 ? "The guard has heard the wind for " + (min < 2 ? "a minute." : min + " min.") : ""));
  }

  function parsed(then) {
    return e => {
      let v;
      try { v = JSON.parse(e.data); } catch (err) { return kill("What came is no data."); }
      then(v);
    };
  }

  let retry = 0;
  function connect() {
    clearTimeout(retry);
    if (stream) stream.close();
    stream = new EventSource("/events");
    stream.addEventListener("frame", parsed(onFrame));
    stream.addEventListener("wind", parsed(onWind));
    stream.onerror = () => {
      if (stream.readyState !== EventSource.CLOSED) return; // it tries again by itself
      retry = setTimeout(connect, 2000);
      fetch("/events", { method: "HEAD" }).then(r => {
        if (r.status === 503) kill("Too many pages are open. Close one; this one comes by itself.");
      }, () => {});
    };
  }

  // A page that was hidden, or a device that slept, has seen nothing meanwhile.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      kill("This page was out of sight. Waiting for new data.");
      if (stream) stream.close();
      last = null;
    } else connect();
  });
  addEventListener("pageshow", e => { if (e.persisted) { kill("Waiting for new data."); last = null; connect(); } });
  addEventListener("resize", () => { if (!dead) fit(); });

  setInterval(() => {
    const now = performance.now();
    if (last === null) return;
    if (now - last > deadAfter) kill("No data for " + Math.floor((now - last) / 1000) + " s. Is this device still in reach of the board?");
    else age(now);
  }, 200);

  connect();
})();
