// Opens pages in headless Chromium over its debugging pipe and looks at them as a reader would:
// nothing asked of the network, nothing said on the console, no figure without axes, units and
// legend, no label cut off or printed over another, no page wider than the screen.
//
//   node browser.mjs PAGE... [--shots FOLDER]
//
// Needs no package. Exit status: 0 all well, 1 something is wrong, 77 no browser on this machine.

import { spawn, spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { basename, dirname, join, resolve } from 'node:path';
import { pathToFileURL } from 'node:url';

const NO_BROWSER = 77;
const WIDTHS = [1280, 375];

const args = process.argv.slice(2);
const at = args.indexOf('--shots');
const shots = at < 0 ? null : args.splice(at, 2)[1];

const browser = [process.env.CHROMIUM, 'chromium', 'chromium-browser', 'google-chrome']
  .filter(Boolean)
  .find(name => spawnSync(name, ['--version']).status === 0);
if (!browser) {
  console.error('no Chromium found: install it, or name it in CHROMIUM');
  process.exit(NO_BROWSER);
}

// One message is one JSON text and a zero byte, both ways.
class Pipe {
  constructor(child) {
    this.child = child;
    this.waiting = new Map();
    this.listeners = new Set();
    this.last = 0;
    let rest = '';
    child.stdio[4].setEncoding('utf8').on('data', text => {
      const parts = (rest + text).split('\0');
      rest = parts.pop();
      parts.map(part => JSON.parse(part)).forEach(message => this.receive(message));
    });
  }
  receive(message) {
    const waiting = this.waiting.get(message.id);
    if (!waiting) return this.listeners.forEach(listener => listener(message));
    this.waiting.delete(message.id);
    if (message.error) waiting.reject(new Error(message.error.message));
    else waiting.resolve(message.result);
  }
  send(method, params = {}, sessionId = undefined) {
    const id = ++this.last;
    this.child.stdio[3].write(JSON.stringify({ id, method, params, sessionId }) + '\0');
    return new Promise((resolve, reject) => this.waiting.set(id, { resolve, reject }));
  }
}

// Runs inside the page. Returns complaints.
function inspect() {
  const complaints = [];
  const complain = (element, what) => complaints.push(`${what}: ${element.textContent.trim().slice(0, 60)}`);
  const root = document.documentElement;
  if (root.scrollWidth > root.clientWidth) complaints.push(`wider than the screen: ${root.scrollWidth} > ${root.clientWidth}`);

  const ids = [...document.querySelectorAll('[id]')].map(element => element.id);
  ids.filter((id, index) => ids.indexOf(id) !== index).forEach(id => complaints.push(`id twice: ${id}`));
  document.querySelectorAll('nav a').forEach(a => document.getElementById(a.hash.slice(1)) || complain(a, 'link to nothing'));
  document.querySelectorAll('table').forEach(t => t.caption?.textContent.trim() || complain(t, 'table without caption'));
  let level = 0;
  document.querySelectorAll('h1,h2,h3,h4').forEach(h => {
    const next = Number(h.tagName[1]);
    if (next > level + 1) complain(h, 'heading skips a level');
    level = next;
  });

  document.querySelectorAll('svg').forEach(svg => {
    const name = svg.querySelector('title')?.textContent ?? '';
    if (!svg.closest('figure')?.querySelector('figcaption')) complain(svg, 'figure without caption');
    if (!name || !svg.querySelector('desc')?.textContent) complain(svg, 'figure without name or description');
    const texts = [...svg.querySelectorAll('text')];
    const withUnit = texts.filter(t => /\((ms|deg|mm|SPM)\)/.test(t.textContent));
    if (withUnit.length < 1) complaints.push(`${name}: no axis with a unit`);
    if (!texts.some(t => t.getAttribute('transform')) && !texts.some(t => /n = /.test(t.textContent))) complaints.push(`${name}: vertical axis without a name`);
    if (!svg.querySelector('.legend text')) complaints.push(`${name}: no legend`);
    const frame = svg.getBoundingClientRect();
    const boxes = texts.map(t => [t, t.getBoundingClientRect()]);
    for (const [t, box] of boxes) {
      if (box.left < frame.left - 0.5 || box.right > frame.right + 0.5 || box.top < frame.top - 0.5 || box.bottom > frame.bottom + 0.5) complain(t, `${name}: cut off`);
    }
    // Line boxes are taller than letters: a touch of a few pixels is no overlap.
    const slack = 3 * frame.width / 520;
    boxes.forEach(([a, p], index) => boxes.slice(index + 1).forEach(([b, q]) => {
      const across = Math.min(p.right, q.right) - Math.max(p.left, q.left);
      const down = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
      if (across > 0.5 && down > slack) complain(a, `${name}: printed over "${b.textContent}"`);
    }));
  });
  return complaints;
}

async function look(pipe, page) {
  const url = pathToFileURL(resolve(page)).href;
  const { targetId } = await pipe.send('Target.createTarget', { url: 'about:blank' });
  const { sessionId } = await pipe.send('Target.attachToTarget', { targetId, flatten: true });
  const send = (method, params) => pipe.send(method, params, sessionId);
  const complaints = [];
  let loaded;
  const whenLoaded = new Promise(resolve => { loaded = resolve; });
  const listener = message => {
    if (message.sessionId !== sessionId) return;
    const { method, params } = message;
    if (method === 'Page.loadEventFired') loaded();
    if (method === 'Runtime.consoleAPICalled') complaints.push(`console: ${JSON.stringify(params.args)}`);
    if (method === 'Runtime.exceptionThrown') complaints.push(`exception: ${params.exceptionDetails.text}`);
    if (method === 'Log.entryAdded') complaints.push(`log: ${params.entry.text}`);
    if (method === 'Network.requestWillBeSent') {
      const asked = params.request.url;
      if (asked !== url && !asked.startsWith('data:')) complaints.push(`asked for ${asked}`);
    }
  };
  pipe.listeners.add(listener);
  for (const domain of ['Page', 'Runtime', 'Log', 'Network']) await send(`${domain}.enable`);
  await send('Page.navigate', { url });
  await whenLoaded;
  for (const width of WIDTHS) {
    await send('Emulation.setDeviceMetricsOverride', { width, height: 900, deviceScaleFactor: 1, mobile: width < 600 });
    const { result } = await send('Runtime.evaluate', { expression: `(${inspect})()`, returnByValue: true });
    complaints.push(...(result.value ?? ['the page could not be inspected']).map(c => `at ${width} pixels, ${c}`));
    if (shots) await shoot(send, page, width);
  }
  if (shots) await print(send, page);
  pipe.listeners.delete(listener);
  await pipe.send('Target.closeTarget', { targetId });
  return complaints;
}

async function shoot(send, page, width) {
  const { cssContentSize } = await send('Page.getLayoutMetrics');
  const clip = { x: 0, y: 0, width, height: cssContentSize.height, scale: 1 };
  const { data } = await send('Page.captureScreenshot', { clip, captureBeyondViewport: true });
  writeFileSync(join(shots, `${basename(dirname(page))}-${width}.png`), data, 'base64');
}

async function print(send, page) {
  const { data } = await send('Page.printToPDF', { preferCSSPageSize: false, paperWidth: 8.27, paperHeight: 11.69 });
  writeFileSync(join(shots, `${basename(dirname(page))}.pdf`), data, 'base64');
}

const profile = mkdtempSync(join(tmpdir(), 'record-browser-'));
if (shots) mkdirSync(shots, { recursive: true });
const child = spawn(browser, ['--headless', '--no-sandbox', '--disable-gpu', '--remote-debugging-pipe', `--user-data-dir=${profile}`],
  { stdio: ['ignore', 'ignore', 'ignore', 'pipe', 'pipe'] });
child.on('exit', code => { if (code) { console.error(`${browser} ended with ${code}`); process.exit(1); } });
const pipe = new Pipe(child);
let wrong = 0;
for (const page of args) {
  const complaints = await look(pipe, page);
  wrong += complaints.length;
  console.log(complaints.length ? `WRONG ${page}` : `ok ${page}`);
  complaints.forEach(complaint => console.log(`  ${complaint}`));
}
const gone = new Promise(resolve => child.on('close', resolve));
await pipe.send('Browser.close').catch(() => {});
await gone;
rmSync(profile, { recursive: true, force: true });
process.exit(wrong ? 1 : 0);
