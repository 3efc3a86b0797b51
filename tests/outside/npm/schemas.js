/*
 * The schemas of config/contract in an ajv that is strict about them, and a
 * second one that is also strict about messages: what the gateway says may
 * hold no member that the contract does not name. (The published schemas are
 * open: clients are to ignore what they do not know.)
 */
const fs = require('fs');
const path = require('path');
const Ajv2020 = require('ajv/dist/2020').default;
const addFormats = require('ajv-formats').default;

const FOLDER = path.join(__dirname, '..', '..', '..', 'config', 'contract');

/* for editors, which fill it in from anywhere: it stands alone */
const CONFIG = 'config.schema.json';

function read(name) {
    return JSON.parse(fs.readFileSync(path.join(FOLDER, name), 'utf8'));
}

/* Objects with named members get no others; parts of an allOf stay as is. */
function close(schema) {
    if (Array.isArray(schema))
        return schema.map(close);
    if (schema === null || typeof schema !== 'object')
        return schema;
    const closed = {};
    for (const [key, value] of Object.entries(schema))
        closed[key] = ['examples', 'enum', 'const', 'not'].includes(key)
            ? value : close(value);
    if (schema.type === 'object' && schema.properties !== undefined &&
        !Array.isArray(schema.properties) &&
        schema.additionalProperties === undefined)
        closed.additionalProperties = false;
    return closed;
}

/* Requests may carry more: the gateway ignores unknown members. */
function closeAnswers(name, schema) {
    if (name === 'methods.schema.json') {
        const defs = {};
        for (const [key, value] of Object.entries(schema.$defs))
            defs[key] = key.endsWith('.params') ? value : close(value);
        return { ...schema, $defs: defs };
    }
    if (name === 'rpc.schema.json') {
        const { request, ...rest } = schema.$defs;
        return { ...schema, $defs: { ...close(rest), request } };
    }
    return close(schema);
}

function load({ closed }) {
    const ajv = new Ajv2020({ strict: true, allowUnionTypes: true,
        allErrors: true });
    addFormats(ajv);
    const names = fs.readdirSync(FOLDER)
        .filter((name) => name.endsWith('.schema.json')).sort();
    const schemas = {};
    for (const name of names) {
        schemas[name] = read(name);
        if (name !== CONFIG)
            ajv.addSchema(closed ? closeAnswers(name, schemas[name])
                : schemas[name], name);
    }
    return { ajv, schemas, names };
}

function loadConfig() {
    const ajv = new Ajv2020({ strict: true, allowUnionTypes: true,
        allErrors: true });
    addFormats(ajv);
    return ajv.compile(read(CONFIG));
}

function explain(validate) {
    return (validate.errors || []).slice(0, 4)
        .map((e) => `${e.instancePath || '/'} ${e.message}` +
            (e.params.additionalProperty ?
                ` (${e.params.additionalProperty})` : '')).join('; ');
}

module.exports = { CONFIG, FOLDER, load, loadConfig, read, explain };
