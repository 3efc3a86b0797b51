/*
 * Phones for tests/page/test_page.py: one JSON command a line on standard
 * input, one JSON answer a line on standard output. Each phone is a browser
 * context of its own (Debian's chromium); what its console or its page calls
 * an error is kept, and every address that it asks for.
 */
'use strict';
const { chromium } = require('playwright-core');
const axe = require('axe-core');
const readline = require('readline');

const phones = new Map();
let browser;

async function open(name, options) {
  const context = await browser.newContext({
    viewport: { width: 360, height: 740 }, hasTouch: true, isMobile: true,
    locale: 'en-GB', timezoneId: 'UTC', reducedMotion: 'reduce', ...options,
  });
  const page = await context.newPage();
  const phone = { context, page, errors: [], asked: [] };
  phones.set(name, phone);
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning')
      phone.errors.push(message.text());
  });
  page.on('pageerror', (error) => phone.errors.push(String(error.stack)));
  context.on('request', (request) => phone.asked.push(request.url()));
  page.on('websocket', (socket) => phone.asked.push(socket.url()));
}

/*
 * All rules of axe-core: WCAG 2 A and AA, and its best practices; or the
 * contrast alone, which is all that changes in the dark.
 */
async function judge(phone, isContrast) {
  if (!await phone.page.evaluate(() => 'axe' in window))
    await phone.page.evaluate(axe.source);
  const found = await phone.page.evaluate((only) => window.axe.run(document, {
    resultTypes: ['violations'],
    ...(only ? { runOnly: { type: 'rule', values: ['color-contrast'] } } : {}),
  }), isContrast);
  return found.violations.map((one) => one.id + ': ' + one.nodes.map((node) =>
    node.target.join(' ') + ' ' + (node.failureSummary || '')).join(' | '));
}

const operations = {
  open: (phone, name, options) => open(name, options),
  goto: (phone, url) => phone.page.goto(url),
  reload: (phone) => phone.page.reload(),
  tap: (phone, selector) => phone.page.locator(selector).tap(),
  fill: (phone, selector, text) => phone.page.locator(selector).fill(text),
  check: (phone, selector) => phone.page.locator(selector).check(),
  choose: (phone, selector, value) =>
    phone.page.locator(selector).selectOption(value),
  press: (phone, key) => phone.page.keyboard.press(key),
  type: (phone, text) => phone.page.keyboard.type(text),
  text: (phone, selector) => phone.page.locator(selector).first()
    .innerText(),
  wait: (phone, selector, state) => phone.page.locator(selector).first()
    .waitFor({ state }),
  eval: (phone, text) => phone.page.evaluate(text),
  scheme: (phone, colorScheme) => phone.page.emulateMedia({ colorScheme }),
  picture: (phone, path, fullPage) => phone.page.screenshot({ path, fullPage }),
  slow: async (phone, kbit, latency) => {
    const session = await phone.context.newCDPSession(phone.page);
    await session.send('Network.emulateNetworkConditions', { offline: false,
      latency, downloadThroughput: kbit * 125, uploadThroughput: kbit * 125 });
  },
  axe: judge,
  errors: (phone) => phone.errors,
  asked: (phone) => phone.asked,
  close: (phone) => phone.context.close(),
};

async function main() {
  browser = await chromium.launch({ executablePath: '/usr/bin/chromium',
    args: ['--no-sandbox', '--disable-dev-shm-usage'] });
  const patience = Number(process.env.HG_SLOW || 1) * 15000;
  for await (const line of readline.createInterface(process.stdin)) {
    const { op, phone, args } = JSON.parse(line);
    let answer;
    try {
      if (op === 'open')
        args.unshift(phone);
      answer = { result: await operations[op](phones.get(phone), ...args) };
      if (op === 'open')
        phones.get(phone).context.setDefaultTimeout(patience);
    } catch (error) {
      answer = { error: String(error.message) };
    }
    process.stdout.write(JSON.stringify(answer) + '\n');
  }
  await browser.close();
}

main();
