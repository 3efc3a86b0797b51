'use strict';
/*
 * What somebody would write in an evening on the general-purpose packages
 * `mqtt` and `ws` of npm: telemetry in, state patches out to watchers, a
 * revoke when a door opens. The benchmark compares the gateway with it. It
 * decides nothing else, keeps no journal and asks nobody who they are.
 *
 *   node bridge.js BROKER_PORT ROOT PORT      (packages from NODE_PATH)
 */
const mqtt = require('mqtt');
const { WebSocketServer } = require('ws');

const [brokerPort, root, port] = process.argv.slice(2);
const rooms = new Map();
let serial = 0;

function roomOf(name) {
    let room = rooms.get(name);

    if (room === undefined) {
        room = { state: { room: name, rev: 0, door: null, air_c: null,
                          heater: null, fresh: false, seen_at: null,
                          permit: { live: false, serial: 0 } },
                 seq: 0, boot: '', watchers: new Set() };
        rooms.set(name, room);
    }
    return room;
}

const client = mqtt.connect(`mqtt://127.0.0.1:${brokerPort}`, {
    protocolVersion: 5, clean: true,
});

function sendPermit(room, heat) {
    const permit = { v: 1, serial: ++serial, heat };

    if (!heat)
        permit.reason = 'door-open';
    room.state.permit = { live: heat, serial };
    client.publish(`${root}/${room.state.room}/permit`,
                   JSON.stringify(permit),
                   { qos: 1, properties: { messageExpiryInterval: 30 } });
}

function tell(room, patch) {
    patch.rev = ++room.state.rev;
    if (room.watchers.size === 0)
        return;
    const text = JSON.stringify({
        jsonrpc: '2.0', method: 'room.patch',
        params: { room: room.state.room, rev: patch.rev, patch },
    });
    for (const watcher of room.watchers)
        watcher.send(text);
}

function onTelemetry(name, payload) {
    const room = roomOf(name);
    const state = room.state;
    const reading = JSON.parse(payload);
    const patch = {};

    if (typeof reading.seq !== 'number' || typeof reading.boot !== 'string' ||
        (reading.boot === room.boot && reading.seq <= room.seq))
        return;
    room.boot = reading.boot;
    room.seq = reading.seq;
    if (reading.door !== state.door)
        sendPermit(room, reading.door === 'closed');
    for (const member of ['air_c', 'door', 'heater']) {
        if (state[member] !== reading[member])
            patch[member] = state[member] = reading[member];
    }
    const at = new Date().toISOString().slice(0, 19) + 'Z';
    if (state.seen_at !== at)
        patch.seen_at = state.seen_at = at;
    if (Object.keys(patch).length > 0)
        tell(room, patch);
}

client.on('connect', () => {
    client.subscribe(`${root}/+/telemetry`, { qos: 1 },
                     () => console.log('ready'));
});
client.stream.on('connect', () => client.stream.setNoDelay(true));
client.on('message', (topic, payload) => {
    onTelemetry(topic.split('/').at(-2), payload);
});

function onCall(socket, text) {
    const call = JSON.parse(text);
    let result = {};

    if (call.method === 'room.watch') {
        const room = roomOf(call.params.room);

        room.watchers.add(socket);
        socket.on('close', () => room.watchers.delete(socket));
        result = room.state;
    }
    socket.send(JSON.stringify({ jsonrpc: '2.0', id: call.id, result }));
}

new WebSocketServer({ host: '127.0.0.1', port: Number(port),
                      perMessageDeflate: false })
    .on('connection', (socket) => {
        socket.on('message', (text) => onCall(socket, text));
    });
