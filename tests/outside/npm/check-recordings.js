/*
 * Holds recorded messages (tests/scenario/harness.py, HG_RECORD) against the
 * contract, in both directions: what the gateway says is valid, what it
 * grants was a valid request, and what it calls invalid the schema calls
 * invalid too. Counts per schema; one that was never met is a fault unless
 * unmet.json says why.
 *
 *   node check-recordings.js FOLDER...
 */
const fs = require('fs');
const path = require('path');
const { load, explain } = require('./schemas');

const { ajv, schemas } = load({ closed: true });
const unmet = JSON.parse(fs.readFileSync(path.join(__dirname, 'unmet.json')));
const counts = new Map();
const faults = new Map();
let messages = 0;
let byTests = 0;

const LEAVES = { telemetry: 'telemetry', event: 'event', online: 'online',
    permit: 'permit', state: 'state', notice: 'notice',
    outputs: 'outputs' };
const FIXED = { gateway: 'gateway', journal: 'journal-head', rpc: 'rpc' };

/*
 * -32602 that no schema can tell: times that are in the wrong order or over,
 * what depends on the connection, on the step or on the room's controller.
 */
const BEYOND_SCHEMA = ['hello', 'guest.issue', 'guest.rotate', 'heat.plan',
    'report.energy', 'commission.begin', 'commission.step', 'binding.read'];

function fault(where, text, message) {
    const key = `${where}: ${text}`;
    if (!faults.has(key))
        faults.set(key, { times: 0, message });
    faults.get(key).times++;
}

function validator(ref) {
    const validate = ajv.getSchema(ref);
    if (validate === undefined)
        throw new Error(`there is no schema ${ref}`);
    return validate;
}

function count(ref) {
    counts.set(ref, (counts.get(ref) || 0) + 1);
}

/* Is it valid? Counted when it is. */
function fits(ref, value) {
    const validate = validator(ref);
    const ok = validate(value);
    if (ok)
        count(ref);
    return ok ? '' : explain(validate) || 'invalid';
}

function must(file, ref, value) {
    const why = fits(ref, value);
    if (why !== '')
        fault(ref, why, `${file}: ${JSON.stringify(value).slice(0, 600)}`);
}

function parse(text) {
    try {
        return JSON.parse(text);
    } catch {
        return undefined;
    }
}

const isObject = (value) => value !== null && typeof value === 'object' &&
    !Array.isArray(value);
const known = (method) => typeof method === 'string' &&
    `${method}.params` in schemas['methods.schema.json'].$defs;
const ref = (method, part) => `methods.schema.json#/$defs/${method}.${part}`;

/*
 * One side of requests and answers: a connection, or MQTT as a whole, where
 * answers may be heard before their requests and so are judged at the end.
 */
class Calls {
    constructor(file) {
        this.file = file;
        this.pending = new Map();
        this.late = [];
    }

    ask(request) {
        if (!isObject(request) || !('method' in request))
            return;
        const key = JSON.stringify(request.id);
        const call = { method: request.method };
        if (known(request.method)) {
            const isNone = request.params === undefined ||
                (Array.isArray(request.params) && request.params.length === 0);
            call.params = isNone ? {} : request.params;
            call.why = fits(ref(request.method, 'params'), call.params);
        }
        if (!this.pending.has(key))
            this.pending.set(key, []);
        this.pending.get(key).push(call);
    }

    answer(answer) {
        must(this.file, 'rpc.schema.json#/$defs/answer', answer);
        const calls = this.pending.get(JSON.stringify(answer.id)) || [];
        const call = calls.splice(this.find(calls, answer), 1)[0];
        if (call === undefined || !known(call.method))
            return;
        if (answer.error === undefined)
            this.granted(call, answer.result);
        else
            this.refused(call, answer.error);
    }

    /* Ids may be used twice at a time; then the result tells. */
    find(calls, answer) {
        const at = calls.length < 2 || answer.error !== undefined ? 0
            : calls.findIndex((call) => known(call.method) &&
                validator(ref(call.method, 'result'))(answer.result));
        return Math.max(at, 0);
    }

    granted(call, result) {
        must(this.file, ref(call.method, 'result'), result);
        if (call.why !== '')
            fault(ref(call.method, 'params'),
                `the gateway granted what the schema forbids: ${call.why}`,
                `${this.file}: ${JSON.stringify(call.params)}`);
    }

    refused(call, error) {
        must(this.file, ref(call.method, 'error'), error);
        count(`error ${error.code}`);
        if (error.code === -32602 && call.why === '' &&
            !BEYOND_SCHEMA.includes(call.method))
            fault(ref(call.method, 'params'),
                'the gateway refuses what the schema allows',
                `${this.file}: ${JSON.stringify(call.params)}: ` +
                error.message);
    }
}

function incoming(calls, file, message) {
    for (const one of Array.isArray(message) ? message : [message]) {
        if (isObject(one) && 'method' in one) {
            must(file, 'rpc.schema.json#/$defs/notification', one);
            must(file, 'room-patch.schema.json', one.params);
        } else {
            calls.answer(one);
        }
    }
}

function schemaOf(topic) {
    const parts = topic.split('/');
    const leaf = parts[parts.length - 1];
    return LEAVES[leaf] || FIXED[leaf];
}

/* What a test published itself may be wrong on purpose. */
function fromBroker(state, line) {
    const schema = schemaOf(line.topic);
    const message = parse(line.text);
    const isOurs = state.published.has(line.topic + '\n' + line.text);
    if (line.text === '')
        return;
    if (schema === undefined) {
        if (isObject(message) && message.jsonrpc === '2.0')
            state.mqtt.late.push(message);
        return;
    }
    if (schema === 'rpc') {
        for (const one of Array.isArray(message) ? message : [message])
            state.mqtt.ask(one);
        if (message !== undefined &&
            fits('rpc.schema.json', message) === '')
            count('rpc over MQTT');
        return;
    }
    if (isOurs) {
        byTests++;
        if (message !== undefined)
            fits(`${schema}.schema.json`, message);
        return;
    }
    must(state.file, `${schema}.schema.json`, message);
}

function take(state, line) {
    messages++;
    if (line.via === 'mqtt' && line.dir === 'out') {
        state.published.add(line.topic + '\n' + line.text);
    } else if (line.via === 'mqtt') {
        fromBroker(state, line);
    } else {
        if (!state.calls.has(line.on))
            state.calls.set(line.on, new Calls(state.file));
        const calls = state.calls.get(line.on);
        const message = parse(line.text);
        if (line.dir === 'in')
            incoming(calls, state.file, message);
        else
            for (const one of Array.isArray(message) ? message : [message])
                calls.ask(one);
    }
}

function readFile(name) {
    const file = path.basename(name);
    const state = { file, calls: new Map(), mqtt: new Calls(file),
        published: new Set() };
    for (const text of fs.readFileSync(name, 'utf8').split('\n')) {
        const line = parse(text); /* the last one may be cut by a kill */
        if (line !== undefined)
            take(state, line);
    }
    state.mqtt.late.forEach((answer) => state.mqtt.answer(answer));
}

function wanted() {
    const list = [];
    for (const name of Object.keys(schemas))
        if (!['common', 'config', 'methods', 'journal-record', 'commission',
            'rpc'].includes(name.replace('.schema.json', '')))
            list.push(name);
    list.push('rpc.schema.json#/$defs/notification', 'rpc over MQTT');
    for (const key of Object.keys(schemas['methods.schema.json'].$defs))
        list.push(`methods.schema.json#/$defs/${key}`);
    for (const code of [-32700, -32601, -32602, 1001, 1002, 1003, 1004, 1005])
        list.push(`error ${code}`);
    return list.filter((name) => name !== 'error -32700' &&
        name !== 'error -32601');
}

const files = process.argv.slice(2).flatMap((folder) => fs.existsSync(folder)
    ? fs.readdirSync(folder).map((name) => path.join(folder, name)) : []);
files.forEach(readFile);
for (const name of wanted()) {
    const short = name.replace('methods.schema.json#/$defs/', '');
    console.log(`${String(counts.get(name) || 0).padStart(8)}  ${short}` +
        (counts.has(name) || !(short in unmet) ? '' : `  (${unmet[short]})`));
    if (!counts.has(name) && !(short in unmet))
        fault(short, 'no recorded message met this schema', '');
}
for (const [key, { times, message }] of faults)
    console.error(`FAULT ${key} (${times} times)\n    ${message}`);
console.log(`recordings: ${files.length} scenarios, ${messages} messages, ` +
    `${byTests} of them published by tests, ${faults.size} faults`);
process.exit(faults.size === 0 && messages > 0 ? 0 : 1);
