/*
 * A consumer of Things that knows nothing of Heatgate but its description.
 *
 * The stock MQTT binding of node-wot 0.8 reads and observes properties and
 * hears events. Of an action it can only publish the input: it sets neither
 * response topic nor correlation data and shows no answer, so what became of
 * the call is seen in the state. How an answer is heard is shown by a binding
 * that adds both, and by the WebSocket form, which node-wot has no client for.
 *
 *   node consume-thing.js THING.json TOKEN
 *
 * When a room check is needed, prints "sign" and waits for a line.
 */
const fs = require('fs');
const assert = require('assert/strict');
const { randomUUID } = require('crypto');
const { Readable } = require('stream');
const readline = require('readline');
const mqtt = require('mqtt');
const WebSocket = require('ws');
const { Servient, DefaultContent, Helpers } = require('@node-wot/core');
const { MqttClientFactory } = require('@node-wot/binding-mqtt');
const { load, explain } = require('./schemas');

const td = JSON.parse(fs.readFileSync(process.argv[2], 'utf8'));
const token = process.argv[3];
const ROOM = { uriVariables: { room: 'heron' } };
const WAIT_MS = 20000;
const { ajv } = load({ closed: true });
let steps = 0;

function step(what) {
    steps++;
    console.log(`step ${steps}: ${what}`);
}

function holds(ref, value) {
    const validate = ajv.getSchema(ref);
    assert(validate(value), `${ref}: ${explain(validate)}`);
}

function call(method, params) {
    return { jsonrpc: '2.0', id: randomUUID(), method, token, params };
}

/* Values of an observed property or event, to be waited for. */
class Seen {
    constructor() {
        this.values = [];
        this.waiters = [];
    }

    take(value) {
        this.values.push(value);
        this.waiters.forEach((waiter) => waiter());
    }

    until(test, what) {
        return new Promise((resolve, reject) => {
            const timer = setTimeout(() => reject(
                new Error(`waited in vain for ${what}; last: ` +
                    JSON.stringify(this.values.at(-1)))), WAIT_MS);
            const look = () => {
                const found = this.values.find(test);
                if (found === undefined)
                    return;
                clearTimeout(timer);
                this.waiters = this.waiters.filter((w) => w !== look);
                resolve(found);
            };
            this.waiters.push(look);
            look();
        });
    }

    forget() {
        this.values = [];
    }
}

/* The binding that an integrator would write: the stock one, and an answer. */
class AnsweringFactory extends MqttClientFactory {
    getClient() {
        const client = super.getClient();
        client.invokeResource = (form, content) => answer(form, content);
        return client;
    }
}

async function answer(form, content) {
    const url = new URL(form.href);
    const client = await mqtt.connectAsync(`mqtt://${url.host}`,
        { protocolVersion: 5 });
    const responseTopic = `answers/${randomUUID()}`;
    const correlationData = Buffer.from(randomUUID());
    try {
        await client.subscribeAsync(responseTopic, { qos: 1 });
        const heard = new Promise((resolve, reject) => {
            setTimeout(() => reject(new Error('no answer')), WAIT_MS).unref();
            client.on('message', (topic, payload, packet) => {
                assert.deepEqual(packet.properties.correlationData,
                    correlationData);
                resolve(payload);
            });
        });
        await client.publishAsync(url.pathname.slice(1),
            await content.toBuffer(),
            { qos: 1, properties: { responseTopic, correlationData } });
        return new DefaultContent(Readable.from([await heard]));
    } finally {
        await client.endAsync();
    }
}

async function consume(factory) {
    const servient = new Servient();
    servient.addClientFactory(factory);
    const wot = await servient.start();
    return { servient, thing: await wot.consume(structuredClone(td)) };
}

async function readProperties(thing) {
    const gateway = await (await thing.readProperty('gateway')).value();
    assert.equal(gateway.online, true);
    holds('gateway.schema.json', gateway);
    const state = await (await thing.readProperty('state', ROOM)).value();
    holds('state.schema.json', state);
    assert.equal(state.room, 'heron');
    step('the properties gateway and state are read');
    const air = await (await thing.readProperty('airTemperature', ROOM))
        .value();
    assert.equal(typeof air.air_c, 'number');
    const door = await (await thing.readProperty('door', ROOM)).value();
    assert.equal(door.door, 'closed');
    const head = await (await thing.readProperty('journalHead')).value();
    holds('journal-head.schema.json', head);
    step('air temperature, door and the journal head are read');
}

async function askForCheck() {
    const lines = readline.createInterface({ input: process.stdin });
    console.log('sign');
    await new Promise((resolve) => lines.once('line', resolve));
    lines.close();
}

async function heatByStockBinding(thing) {
    const states = new Seen();
    const notices = new Seen();
    await thing.observeProperty('state', async (output) =>
        states.take(await output.value()), undefined, ROOM);
    await thing.subscribeEvent('notice', async (output) =>
        notices.take(await output.value()), undefined, ROOM);
    const start = call('heat.start',
        { room: 'heron', target_c: 80, duration_min: 60 });
    await thing.invokeAction('heat.start', start);
    step('a start is published without a room check');
    states.forget();
    await states.until((state) => state.rev > 0, 'a later state');
    assert(states.values.every((state) => state.phase === 'idle'),
        'it was not refused');
    await askForCheck();
    await states.until((state) => state.check.state === 'valid' &&
        state.may_start, 'a valid room check');
    step('the signed check is observed');
    await thing.invokeAction('heat.start', { ...start, id: randomUUID() });
    const heating = await states.until((state) => state.phase === 'heating',
        'the heat');
    assert.equal(heating.heat.target_c, 80);
    holds('state.schema.json', heating);
    step('a start is granted and observed');
    states.forget();
    await thing.invokeAction('heat.stop', call('heat.stop', { room: 'heron' }));
    await states.until((state) => state.phase === 'idle', 'the end');
    const notice = await notices.until((n) => n.code === 'stopped', 'a notice');
    holds('notice.schema.json', notice);
    step('a stop is obeyed, observed, and told as an event');
}

async function heatWithAnswers(thing) {
    const invoke = async (method, params) =>
        (await thing.invokeAction(method, call(method, params))).value();
    const refused = await invoke('heat.start',
        { room: 'heron', target_c: 80, duration_min: 60 });
    holds('methods.schema.json#/$defs/heat.start.error', refused.error);
    assert.deepEqual(refused.error.data.reasons.map((r) => r.code),
        ['check-missing']);
    step('with a response topic the refusal names its reason');
    const preview = await invoke('heat.preview', { room: 'heron' });
    holds('methods.schema.json#/$defs/heat.preview.result', preview.result);
    assert.equal(preview.result.allowed, false);
    await askForCheck();
    const granted = await invoke('heat.start',
        { room: 'heron', target_c: 80, duration_min: 60 });
    holds('methods.schema.json#/$defs/heat.start.result', granted.result);
    const stopped = await invoke('heat.stop', { room: 'heron' });
    holds('methods.schema.json#/$defs/heat.stop.result', stopped.result);
    step('and a grant its heat');
}

/* Follow the WebSocket form of a property: its href, subprotocol, method. */
async function readByWebSocket() {
    const form = td.properties.state.forms.find((f) =>
        f.op === 'readproperty' && f.subprotocol === 'heatgate.rpc.v1');
    const socket = new WebSocket(form.href, form.subprotocol);
    const ask = (request) => new Promise((resolve, reject) => {
        socket.once('message', (text) => resolve(JSON.parse(text)));
        socket.once('close', () => reject(new Error('closed')));
        socket.send(JSON.stringify({ jsonrpc: '2.0', id: 1, ...request }));
    });
    await new Promise((resolve, reject) => socket.once('open', resolve)
        .once('error', reject));
    const hello = await ask({ method: 'hello', params: { token } });
    assert.equal(hello.result.role, 'integrator');
    const { result } = await ask({ method: form['hg:method'],
        params: { room: 'heron' } });
    holds('state.schema.json', result);
    socket.removeAllListeners('close');
    socket.close();
    step('the state is read by the WebSocket form');
}

async function readByHttp() {
    for (const name of ['health', 'metrics']) {
        const form = td.properties[name].forms[0];
        const got = await fetch(form.href);
        assert.equal(got.status, 200);
        assert.equal(got.headers.get('content-type').split(';')[0],
            form.contentType.split(';')[0]);
    }
    step('health and metrics are read by their HTTP forms');
}

async function main() {
    Helpers.setStaticAddress?.('127.0.0.1');
    const stock = await consume(new MqttClientFactory());
    await readProperties(stock.thing);
    await heatByStockBinding(stock.thing);
    const answering = await consume(new AnsweringFactory());
    await heatWithAnswers(answering.thing);
    await readByWebSocket();
    await readByHttp();
    console.log(`consumer: ${steps} steps`);
    process.exit(0); /* the stock binding leaves its connection open */
}

main().catch((error) => {
    console.error(error);
    process.exit(1);
});
