// Every bound of the program, unit last in its name.

export const readerFlushIntervalMs = 5;
export const mergeWaitMaxMs = 20;
export const readerQueueMaxS = 4;
export const commitAgeMaxMs = 100;
export const sliceLengthS = 10;
export const sessionSilenceMaxS = 60;
export const staleAfterMinMs = 100;
export const stalePeriods = 3;
export const staleWithoutPeriodMs = 1000;
export const formulaLengthMax = 500;
export const formulaDepthMax = 32;
/** Longest time that a formula's function looks back. */
export const formulaWindowS = 60;
export const definitionFileBytesMax = 256 * 1024;
/** Files of one vehicle that a page may send to be tried out or saved, and all their bytes. */
export const definitionFilesMax = 100;
export const definitionDraftBytesMax = 2 * 1024 * 1024;
/** Text of a device manual's table. */
export const tableBytesMax = 256 * 1024;
/** Of one cell of such a table; what is beyond is cut off, so that no cell keeps the worker busy. */
export const tableCellLettersMax = 500;
export const definitionsSettleMs = 40;
export const definitionsPollMs = 2000;
export const livePacketsPerSecondMax = 30;
export const liveSilenceMs = 250;
/** Source states, loss and load go with a packet this often. */
export const liveStatusMs = 500;
export const liveInFlightMax = 2;
export const livePauseAfterMs = 5_000;
export const liveDropAfterMs = 30_000;
export const liveBinsPerPacketMax = 64;
export const liveClientsMax = 64;
/** Of these, from one device. */
export const liveClientsPerHolderMax = 16;
/** A stream that is opened and never joined is closed. */
export const liveJoinMaxMs = 10_000;
/** The live bins of all channels together. */
export const rollingStoreBytesMax = 128 * 1024 * 1024;
export const liveIdsMax = 4096;
export const muxPagesMax = 256;
export const liveAlarmEventsMax = 1000;
export const liveMessageBytesMax = 64 * 1024;
/** An acknowledgement takes effect at the next instant; a request for it waits no longer than this. */
export const acknowledgeWaitMaxMs = 1000;
/** A smaller difference between wall and session time is drift, not somebody setting the clock. */
export const wallStepMinMs = 100;
/** A server that npm started looks this often whether npm is still there. */
export const parentLookIntervalMs = 500;
export const httpBodyBytesMax = 64 * 1024;
export const httpRequestsPerMinuteMax = 3000;
/** A login lasts a week: a tablet in the workshop isn't asked every morning. */
export const loginLastsMs = 7 * 24 * 3600 * 1000;
/** So many wrong passphrases from one address within the window, then it is refused without looking until the window has passed. */
export const loginWrongMax = 10;
export const loginWrongWindowMs = 15 * 60 * 1000;
/** Addresses that are remembered for wrong passphrases; the oldest is forgotten first. */
export const loginAddressesMax = 10_000;
/** Logins that wait for their turn, one an address; each costs about a quarter of a second. */
export const loginsWaitingMax = 16;
export const passphraseCharactersMin = 12;
export const passphraseCharactersMax = 200;
/** Logins that were ended before their time and are remembered; at more, everybody is logged out. */
export const loginsEndedMax = 1000;
/** Streams of a check, a pull or a shared replay that are open at once: all of them, and those of one device. */
export const eventStreamsMax = 128;
export const eventStreamsPerHolderMax = 16;
/** A stream in which nothing happens says so this often, so that one whose page is gone is noticed. */
export const streamHeartbeatMs = 15_000;
/** Connections from the network: all of them, and those from one address. A browser opens six, and one for the live stream. */
export const connectionsMax = 512;
export const connectionsPerAddressMax = 64;
/** A request's body must be there within this; recorded files take as long as they need while bytes come. */
export const httpBodyArrivesMaxMs = 60_000;
/** A recorded file of which no byte comes for so long is given up. */
export const importSilenceMaxMs = 60_000;
/** A download of which no byte is taken for so long is given up: others wait for their turn. */
export const exportSilenceMaxMs = 60_000;
/** Open streams are looked at this often: whoever's login has run out is cut off. */
export const streamRecheckMs = 30_000;
/** This computer's own addresses are read again after so long. */
export const ownAddressesLastMs = 5000;
export const channelNameMax = 200;
export const windowChannelsMax = 32;
export const windowBinsMax = 4096;
export const defaultPort = 8414;
export const unknownIdsMax = 4096;
/** A J1939 message of several packets is given up after so long a silence of its sender (T2 and T3 of SAE J1939-21, from memory). */
export const transportSilenceMaxMs = 1250;
/** J1939 messages under way at once; beyond it the longest silent one is given up. */
export const transportsMax = 256;
export const malformedNamedMax = 100;
export const unmatchedInterfacesMax = 64;
/** A writer waits this long for another program's lock before it says so. */
export const busyWaitMaxMs = 2000;
/** The main process hands inputs to the recorder once the oldest is this old; a commit starts at commitAgeMaxMs. */
export const handOverAgeMs = 25;
export const handOverBytesMax = 64 * 1024;
/** An input must be on the disk within this; a slower disk raises an alarm. */
export const diskAgeMaxMs = 250;
/** Inputs on their way to the disk; beyond it frames are dropped and counted. */
export const recorderQueueBytesMax = 32 * 1024 * 1024;
/** What is stored compressed, one slice or one channel's samples in it, takes at most this in memory. */
export const storedBlobBytesMax = 256 * 1024 * 1024;
/** Inputs of one slice, whatever its time. */
export const sliceInputsMax = 1_000_000;
/** With less space recording doesn't start, so that the system keeps some. */
export const diskReserveBytes = 32 * 1024 * 1024;
/** With less space a warning is given, long before recording stops. */
export const diskWarningBytes = 2 * 1024 * 1024 * 1024;
/** How often free space is looked at, and a stopped recording tried again. */
export const diskLookIntervalMs = 10_000;
export const recordBytesMax = 16 * 1024 * 1024;
/** Decoded samples and bins that the history worker keeps of one reading. */
export const readingCacheBytesMax = 64 * 1024 * 1024;
/** Losses, changes of definitions and the like that a session lists. */
export const sessionEventsMax = 1000;
/** Session files that the history worker keeps open. */
export const openSessionsMax = 8;
/** Reports, exports and comparisons of sessions at the same time, a worker each. */
export const sessionTasksMax = 2;
/** Re-readings that are told of once they are over. */
export const rereadJobsKeptMax = 200;
/** Frames that one search for a signal takes into memory, some 16 bytes each. */
export const searchFramesMax = 3_000_000;
/** Searches that are remembered with their findings, and those that may wait for their turn. */
export const searchesKeptMax = 12;
export const searchesWaitingMax = 8;
/** A deleted session can be brought back for so long. */
export const deletedKeptMs = 7 * 24 * 3600 * 1000;
/** A live check is judged anew this often, and never takes a greater share of its worker's time. */
export const judgeIntervalMs = 250;
export const judgeShareMax = 0.2;
/** Frames and samples that a live check holds, some 17 to 24 bytes each; beyond it later ones are not looked at, and the check says so. */
export const checkEvidenceMax = 12_000_000;
/** Frames on their way to the worker of the checks; beyond it they are left out and counted. */
export const checkQueueFramesMax = 200_000;
/** Events of a wiggle test that are kept, the newest. */
export const watchEventsMax = 500;
/** A check that was running when the server ended goes on unless it was begun longer ago. */
export const checkResumeMsMax = 12 * 3600 * 1000;
/** Stored runs of checks that are listed, the newest. */
export const checkRunsListedMax = 200;
/** Lines that a page's stream of a wiggle test may be behind before they are left out. */
export const watchStreamBytesMax = 256 * 1024;
/** One photo or one log of a dyno. */
export const attachmentBytesMax = 8 * 1024 * 1024;
/** Lines that a page's stream of the pull in progress may be behind before they are left out. */
export const pullStreamBytesMax = 64 * 1024;
/** How often the pull in progress is told of. */
export const pullStreamMs = 100;
/** Samples of the pull in progress are held for so long. */
export const pullHeldMaxS = 180;
/** Sessions whose pulls are kept, without their samples. */
export const dynoSessionsHeldMax = 40;
/** A recorded file that a page sends; a larger one is imported on the command line. */
export const importBytesMax = 16 * 1024 * 1024 * 1024;
/** The beginning of a file, by which a page is told what it is. */
export const importLookBytesMax = 1024 * 1024;
/** With less space left a file is not taken: recording has the rest. */
export const importFreeBytesMin = 512 * 1024 * 1024;
/** Files that may wait to be imported, those on their way included; and imports that are remembered. */
export const importsWaitingMax = 20;
export const importsKeptMax = 50;
