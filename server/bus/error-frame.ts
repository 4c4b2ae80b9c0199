// Error frames as the Linux kernel reports them, in words. Source: linux/can/error.h (class bits in the id, details in 8 bytes).

export interface ErrorFrame {
  timeUs: number;
  /** Class bits (`errorClass`). */
  classes: number;
  /** data[0]: bit of the frame at which arbitration was lost, 0 where it isn't said. */
  arbitrationBit: number;
  /** data[1]: controller state bits. */
  controller: number;
  /** data[2]: kind of protocol violation, bits. */
  kind: number;
  /** data[3]: where in the frame. */
  place: number;
  /** data[4]: transceiver. */
  transceiver: number;
  /** data[6], data[7]: transmit and receive error counters; 0 where the driver gives none. */
  sent: number;
  received: number;
}

export const errorClass = {
  txTimeout: 0x001,
  lostArbitration: 0x002,
  controller: 0x004,
  protocol: 0x008,
  transceiver: 0x010,
  noAcknowledge: 0x020,
  busOff: 0x040,
  busError: 0x080,
  restarted: 0x100,
  counters: 0x200,
} as const;

/** Classes of error frames in words. */
export const errorClassNames: readonly [bit: number, name: string][] = [
  [errorClass.txTimeout, 'transmit timeout'],
  [errorClass.lostArbitration, 'lost arbitration'],
  [errorClass.controller, 'controller problem'],
  [errorClass.protocol, 'protocol violation'],
  [errorClass.transceiver, 'transceiver'],
  [errorClass.noAcknowledge, 'no acknowledgement'],
  [errorClass.busOff, 'bus-off'],
  [errorClass.busError, 'bus error'],
  [errorClass.restarted, 'controller restarted'],
  [errorClass.counters, 'error counters'],
];

export const controllerState = {
  receiveOverflow: 0x01,
  sendOverflow: 0x02,
  receiveWarning: 0x04,
  sendWarning: 0x08,
  receivePassive: 0x10,
  sendPassive: 0x20,
  active: 0x40,
} as const;

export const violation = {
  bit: 0x01,
  form: 0x02,
  stuff: 0x04,
  bit0: 0x08,
  bit1: 0x10,
  overload: 0x20,
  active: 0x40,
  sending: 0x80,
} as const;

/** data[3] of an error frame: where in the frame. */
export const place = {
  id28To21: 0x02,
  startOfFrame: 0x03,
  substituteRemote: 0x04,
  identifierExtension: 0x05,
  id20To18: 0x06,
  id17To13: 0x07,
  crc: 0x08,
  reserved0: 0x09,
  data: 0x0a,
  lengthCode: 0x0b,
  remote: 0x0c,
  reserved1: 0x0d,
  id4To0: 0x0e,
  id12To5: 0x0f,
  intermission: 0x12,
  crcDelimiter: 0x18,
  acknowledgeSlot: 0x19,
  endOfFrame: 0x1a,
  acknowledgeDelimiter: 0x1b,
} as const;

const placeNames: Readonly<Record<number, string>> = {
  [place.id28To21]: 'id bits 28 to 21',
  [place.startOfFrame]: 'start of frame',
  [place.substituteRemote]: 'substitute remote bit',
  [place.identifierExtension]: 'identifier extension bit',
  [place.id20To18]: 'id bits 20 to 18',
  [place.id17To13]: 'id bits 17 to 13',
  [place.crc]: 'CRC sequence',
  [place.reserved0]: 'reserved bit 0',
  [place.data]: 'data',
  [place.lengthCode]: 'data length code',
  [place.remote]: 'remote bit',
  [place.reserved1]: 'reserved bit 1',
  [place.id4To0]: 'id bits 4 to 0',
  [place.id12To5]: 'id bits 12 to 5',
  [place.intermission]: 'intermission',
  [place.crcDelimiter]: 'CRC delimiter',
  [place.acknowledgeSlot]: 'acknowledge slot',
  [place.endOfFrame]: 'end of frame',
  [place.acknowledgeDelimiter]: 'acknowledge delimiter',
};

const acknowledgePlaces: readonly number[] = [place.acknowledgeSlot, place.acknowledgeDelimiter];

export function toErrorFrame(timeUs: number, id: number, bytes: Uint8Array): ErrorFrame {
  const at = (index: number) => bytes[index] ?? 0;
  return {
    timeUs,
    classes: id,
    arbitrationBit: at(0),
    controller: at(1),
    kind: at(2),
    place: at(3),
    transceiver: at(4),
    sent: at(6),
    received: at(7),
  };
}

/** Nobody acknowledged: its own class, or a protocol violation in the acknowledge slot or its delimiter. */
export function isUnacknowledged(error: ErrorFrame): boolean {
  if ((error.classes & errorClass.noAcknowledge) !== 0) return true;
  return (error.classes & errorClass.protocol) !== 0 && acknowledgePlaces.includes(error.place);
}

/** Stuff or form errors: what a node sees that listens, or is heard, at the wrong bit rate. */
export function isFraming(error: ErrorFrame): boolean {
  return (error.classes & errorClass.protocol) !== 0 && (error.kind & (violation.stuff | violation.form)) !== 0 && !isUnacknowledged(error);
}

/** Start of frame, id, control bits, length code. */
const headerPlaces: readonly number[] = [
  place.startOfFrame,
  place.id28To21,
  place.id20To18,
  place.id17To13,
  place.id12To5,
  place.id4To0,
  place.substituteRemote,
  place.identifierExtension,
  place.remote,
  place.reserved0,
  place.reserved1,
  place.lengthCode,
];

/**
 * Share of the errors whose place is known that lie in the frame's header; undefined when fewer than ten say where. A frame at another
 * bit rate is lost within its first bits; noise and reflections hit anywhere, mostly in the longer data and CRC fields.
 */
export function headerShare(errors: readonly ErrorFrame[]): number | undefined {
  const placed = errors.filter((error) => (error.classes & errorClass.protocol) !== 0 && error.place !== 0);
  if (placed.length < 10) return undefined;
  return placed.filter((error) => headerPlaces.includes(error.place)).length / placed.length;
}

/** Says that something is wrong with the line or a node, rather than telling of normal arbitration or a recovery. */
export function isFault(error: ErrorFrame): boolean {
  const harmless = errorClass.lostArbitration | errorClass.restarted | errorClass.counters;
  if ((error.classes & ~harmless) === 0) return false;
  return !(error.classes === errorClass.controller && error.controller === controllerState.active);
}

/** Counts by class in words, most frequent first: [what, count, first time]. */
export function countByKind(errors: readonly ErrorFrame[]): { what: string; count: number; firstUs: number }[] {
  const counts = new Map<string, { what: string; count: number; firstUs: number }>();
  for (const error of errors) {
    for (const what of kindsOf(error)) {
      const row = counts.get(what);
      if (row) row.count++;
      else counts.set(what, { what, count: 1, firstUs: error.timeUs });
    }
  }
  return [...counts.values()].sort((a, b) => b.count - a.count);
}

/** What one error frame says, in words; several where it carries several classes or bits. */
export function kindsOf(error: ErrorFrame): string[] {
  const kinds: string[] = [];
  const add = (when: number, what: string) => {
    if (when !== 0) kinds.push(what);
  };
  const { classes, controller } = error;
  add(classes & errorClass.txTimeout, 'driver gave up sending');
  add(
    classes & errorClass.lostArbitration,
    error.arbitrationBit === 0 ? 'lost arbitration' : `lost arbitration at bit ${error.arbitrationBit}`,
  );
  if ((classes & errorClass.controller) !== 0) kinds.push(...controllerTexts(controller));
  if ((classes & errorClass.protocol) !== 0) kinds.push(...protocolTexts(error));
  if ((classes & errorClass.transceiver) !== 0) kinds.push(...transceiverTexts(error.transceiver));
  add(classes & errorClass.noAcknowledge, 'nobody acknowledged');
  add(classes & errorClass.busOff, 'bus-off');
  if ((classes & errorClass.busError) !== 0 && (classes & errorClass.protocol) === 0) kinds.push('bus error, unspecified');
  add(classes & errorClass.restarted, 'controller restarted');
  if (kinds.length === 0) kinds.push('error counters');
  return kinds;
}

const controllerNames: readonly [bit: number, name: string][] = [
  [controllerState.receiveOverflow, 'controller receive overflow'],
  [controllerState.sendOverflow, 'controller send overflow'],
  [controllerState.receiveWarning, 'receive errors at the warning level (96)'],
  [controllerState.sendWarning, 'send errors at the warning level (96)'],
  [controllerState.receivePassive, 'error-passive from receive errors (128)'],
  [controllerState.sendPassive, 'error-passive from send errors (128)'],
  [controllerState.active, 'back to error-active'],
];

function controllerTexts(bits: number): string[] {
  const found = namesOf(controllerNames, bits);
  return found.length > 0 ? found : ['controller problem, unspecified'];
}

const violationNames: readonly [bit: number, name: string][] = [
  [violation.stuff, 'stuff error'],
  [violation.form, 'form error'],
  [violation.bit0, 'dominant bit error'],
  [violation.bit1, 'recessive bit error'],
  [violation.bit, 'bit error'],
  [violation.overload, 'overload'],
  [violation.active, 'active error flag'],
];

function protocolTexts({ kind, place: at }: ErrorFrame): string[] {
  const found = namesOf(violationNames, kind);
  const where = placeNames[at] === undefined ? '' : ` at ${placeNames[at]}`;
  const sending = (kind & violation.sending) === 0 ? '' : ' while sending';
  return (found.length > 0 ? found : ['protocol error, unspecified']).map((name) => `${name}${where}${sending}`);
}

/** data[4]: the low half speaks of CAN_H, the high half of CAN_L. */
const lineNames: Readonly<Record<number, string>> = {
  4: 'CAN_H has no wire',
  5: 'CAN_H shorted to battery',
  6: 'CAN_H shorted to supply',
  7: 'CAN_H shorted to ground',
  64: 'CAN_L has no wire',
  80: 'CAN_L shorted to battery',
  96: 'CAN_L shorted to supply',
  112: 'CAN_L shorted to ground',
  128: 'CAN_L shorted to CAN_H',
};

function transceiverTexts(code: number): string[] {
  const halves = [code & 0x0f, code & 0xf0].filter((half) => half !== 0);
  if (halves.length === 0) return ['transceiver reports a line fault'];
  return halves.map((half) => `transceiver reports ${lineNames[half] ?? 'a line fault'}`);
}

function namesOf(names: readonly [bit: number, name: string][], bits: number): string[] {
  return names.filter(([bit]) => (bits & bit) !== 0).map(([, name]) => name);
}
