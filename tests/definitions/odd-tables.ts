// Tables as strangers might paste them, odd ones on purpose, each with what its author means: places worked out by hand in the numbering of
// device files (bit 0 is the least significant of byte 0; a big-endian signal starts at its most significant bit).
import type { TableOptions } from '../../server/definitions/table-import.ts';

/** `FRAME NAME START:BITS(le|be) (u|s|f) FACTOR OFFSET UNIT [when KEY=RAW]`; FRAME is `0x100`, `0x100x` with 29 bits, or `g61444` for a group. */
export interface OddTable {
  is: string;
  text: string;
  options?: Partial<TableOptions>;
  signals: string[];
  /** Frames' lengths in bytes and periods in ms, where the table says them. */
  frames?: Record<string, { lengthBytes?: number; periodMs?: number; name?: string }>;
}

export const oddTables: OddTable[] = [
  {
    is: 'German, semicolons, decimal commas, umlauts and a sharp s',
    text: `Botschaft;Kennung;Signal;Startbyte;Startbit;Bitlänge;Vorzeichen;Faktor;Offset;Einheit;Minimum;Maximum;Zykluszeit [ms]
Motor_1;0x280;Motordrehzahl;2;0;16;nein;0,25;0;1/min;0;16000;10
;;Wassertemperatur;4;0;8;nein;0,75;-48;°C;-48;143;
;;Außentemperatur;5;0;8;ja;0,5;0;°C;;;
;;Öldruck;6;0;8;nein;0,04;0;bar;;;
`,
    signals: [
      '0x280 motordrehzahl 16:16le u 0.25 0 rpm',
      '0x280 wassertemperatur 32:8le u 0.75 -48 degC',
      '0x280 aussentemperatur 40:8le s 0.5 0 degC',
      '0x280 oldruck 48:8le u 0.04 0 bar',
    ],
    frames: { '0x280': { name: 'motor_1', periodMs: 10 } },
  },
  {
    is: 'German headings of another maker, in capitals, bytes from 1',
    text: `ID (hex);NAME;BESCHREIBUNG;BYTE;LÄNGE (BIT);BYTEREIHENFOLGE;DATENTYP;SKALIERUNG;EINHEIT;BEMERKUNG
3E8;oil_p;Öldruck;1-2;16;Motorola;vorzeichenlos;0,1;kPa;
3E8;oil_t;Öltemperatur;3-4;16;Motorola;vorzeichenbehaftet;0,1;°C;nach Kühler
3E8;gang;Gang;8;8;Motorola;vorzeichenlos;1;-;
`,
    signals: ['0x3E8 oil_p 7:16be u 0.1 0 kPa', '0x3E8 oil_t 23:16be s 0.1 0 degC', '0x3E8 gang 63:8be u 1 0 '],
  },
  {
    is: 'French',
    text: `Identifiant;Trame;Signal;Octet;Longueur (bits);Ordre des octets;Signe;Facteur;Décalage;Unité;Période (ms)
0x1A0;Moteur;Régime moteur;0;16;Motorola;non signé;0,5;0;tr/min;20
;;Température eau;2;8;Motorola;signé;1;0;°C;
;;Pression huile;3;16;Motorola;non signé;0,1;0;kPa;
`,
    signals: [
      '0x1A0 regime_moteur 7:16be u 0.5 0 rpm',
      '0x1A0 temperature_eau 23:8be s 1 0 degC',
      '0x1A0 pression_huile 31:16be u 0.1 0 kPa',
    ],
    frames: { '0x1A0': { name: 'moteur', periodMs: 20 } },
  },
  {
    is: 'Spanish',
    text: `ID;Mensaje;Señal;Byte inicial;Longitud;Signo;Factor;Desplazamiento;Unidad;Descripción
0x201;Motor;Velocidad;0;2 bytes;no;0,01;0;km/h;rueda delantera
0x201;Motor;Temperatura;2;1 byte;sí;1;-40;°C;
`,
    signals: ['0x201 velocidad 0:16le u 0.01 0 km/h', '0x201 temperatura 16:8le s 1 -40 degC'],
  },
  {
    is: 'Italian, tabs',
    text: `Identificativo\tMessaggio\tSegnale\tBit iniziale\tLunghezza (bit)\tFattore\tScostamento\tUnità\tPeriodo (ms)
0x0F1\tMotore 2\tGiri\t8\t16\t1\t0\tgiri/min\t100
\t\tFarfalla\t0\t8\t0,4\t0\t%\t
`,
    signals: ['0x0F1 giri 8:16le u 1 0 rpm', '0x0F1 farfalla 0:8le u 0.4 0 %'],
    frames: { '0x0F1': { name: 'motore_2', periodMs: 100 } },
  },
  {
    is: 'Dutch',
    text: `Bericht;ID;Signaal;Startbit;Lengte (bits);Bytevolgorde;Factor;Verschuiving;Eenheid;Cyclustijd
Motor;0x300;Toerental;0;16;Intel;0,25;0;1/min;10 ms
;;Oliedruk;16;8;Intel;4;0;kPa;
`,
    signals: ['0x300 toerental 0:16le u 0.25 0 rpm', '0x300 oliedruk 16:8le u 4 0 kPa'],
    frames: { '0x300': { periodMs: 10 } },
  },
  {
    is: 'Swedish',
    text: `Meddelande;ID;Signal;Startbit;Längd (bitar);Skala;Förskjutning;Enhet
Motor;0x310;Varvtal;0;16;0,25;0;varv/min
;;Oljetryck;16;8;4;0;kPa
`,
    signals: ['0x310 varvtal 0:16le u 0.25 0 rpm', '0x310 oljetryck 16:8le u 4 0 kPa'],
  },
  {
    is: 'Portuguese',
    text: `Mensagem;Identificador;Sinal;Byte inicial;Comprimento (bits);Fator;Deslocamento;Unidade;Mínimo;Máximo
Motor;0x320;Rotação;0;16;0,25;0;rpm;0;16000
;;Pressão do óleo;2;8;4;0;kPa;;
`,
    signals: ['0x320 rotacao 0:16le u 0.25 0 rpm', '0x320 pressao_do_oleo 16:8le u 4 0 kPa'],
  },
  {
    is: 'Polish',
    text: `Ramka;Identyfikator;Sygnał;Bit początkowy;Długość (bity);Współczynnik;Przesunięcie;Jednostka
Silnik;0x330;Obroty;0;16;0,25;0;obr/min
;;Ciśnienie oleju;16;8;4;0;kPa
`,
    signals: ['0x330 obroty 0:16le u 0.25 0 rpm', '0x330 cisnienie_oleju 16:8le u 4 0 kPa'],
  },
  {
    is: 'ids with an h behind, bytes as D0..D7, high byte first',
    text: `Identifier,Data bytes,Signal,Format,Resolution
4C0h,D0-D1,EGT 1,MSB first,0.1 °C/bit
4C0h,D2-D3,EGT 2,MSB first,0.1 °C/bit
4C1h,D0,Status,,
`,
    signals: ['0x4C0 egt_1 7:16be u 0.1 0 degC', '0x4C0 egt_2 23:16be u 0.1 0 degC', '0x4C1 status 0:8le u 1 0 '],
  },
  {
    is: 'ids with a dollar sign, ranges of bits over the whole frame',
    text: `Address | Bits | Parameter | Conversion
$5E8 | 0-15 | RPM | x
$5E8 | 16..23 | Coolant | x - 40 °C
$5E8 | 24 to 27 | Gear | x
$5E8 | 28 | Brake | x
`,
    signals: ['0x5E8 rpm 0:16le u 1 0 ', '0x5E8 coolant 16:8le u 1 -40 degC', '0x5E8 gear 24:4le u 1 0 ', '0x5E8 brake 28:1le u 1 0 '],
  },
  {
    is: 'bytes from 1 with dots between, the last one 8',
    text: `ID;Bytes;Name;Scaling;Unit
0x640;1..2;Boost;1/10;kPa
0x640;3..4;Fuel pressure;1/10;kPa
0x640;5;Air temperature;1;°C
0x640;7..8;Lap;1;
`,
    signals: [
      '0x640 boost 0:16le u 0.1 0 kPa',
      '0x640 fuel_pressure 16:16le u 0.1 0 kPa',
      '0x640 air_temperature 32:8le u 1 0 degC',
      '0x640 lap 48:16le u 1 0 ',
    ],
  },
  {
    is: 'byte.bit notation with lengths in bits',
    text: `Id,Start,Length (bits),Name,Factor
0x120,0.0,12,Pedal,0.025
0x120,1.4,4,Mode,1
0x120,2.0,1,Fan,1
0x120,2.7,1,Pump,1
`,
    signals: ['0x120 pedal 0:12le u 0.025 0 ', '0x120 mode 12:4le u 1 0 ', '0x120 fan 16:1le u 1 0 ', '0x120 pump 23:1le u 1 0 '],
  },
  {
    is: 'bits of a byte in square brackets and as a sentence',
    text: `CAN ID;Position;Signal
0x121;Byte 0;counter
0x121;Byte 1[7:4];gear
0x121;Byte 1[3:0];mode
0x121;Byte 2 bit 7;brake
0x121;Byte 2, bits 0-2;map
0x121;Bytes 6 and 7;speed
`,
    signals: [
      '0x121 counter 0:8le u 1 0 ',
      '0x121 gear 12:4le u 1 0 ',
      '0x121 mode 8:4le u 1 0 ',
      '0x121 brake 23:1le u 1 0 ',
      '0x121 map 16:3le u 1 0 ',
      '0x121 speed 48:16le u 1 0 ',
    ],
  },
  {
    is: 'signs in many words',
    text: `ID,Signal,Start bit,Bit length,Signed?
0x130,a,0,8,±
0x130,b,8,8,+
0x130,c,16,8,two's complement
0x130,d,24,8,unsigned
0x130,e,32,8,S
0x130,f,40,8,Signed
`,
    signals: [
      '0x130 a 0:8le s 1 0 ',
      '0x130 b 8:8le u 1 0 ',
      '0x130 c 16:8le s 1 0 ',
      '0x130 d 24:8le u 1 0 ',
      '0x130 e 32:8le s 1 0 ',
      '0x130 f 40:8le s 1 0 ',
    ],
  },
  {
    is: 'types of many makers',
    text: `ID,Signal,Start byte,Data type
0x131,a,0,UINT16_T
0x131,b,2,Signed Word
0x131,c,4,unsigned char
0x131,d,5,INT8
0x131,e,6,16-bit unsigned
0x132,f,0,IEEE 754 float (32 bit)
0x132,g,4,"u16, big endian"
0x132,h,6,sint16 (Motorola)
`,
    signals: [
      '0x131 a 0:16le u 1 0 ',
      '0x131 b 16:16le s 1 0 ',
      '0x131 c 32:8le u 1 0 ',
      '0x131 d 40:8le s 1 0 ',
      '0x131 e 48:16le u 1 0 ',
      '0x132 f 0:32le f 1 0 ',
      '0x132 g 39:16be u 1 0 ',
      '0x132 h 55:16be s 1 0 ',
    ],
  },
  {
    is: 'scaling in every spelling, units in the scaling alone',
    text: `ID,Name,Byte,Scale,Offset
0x140,t1,0,0.1 °C/bit,-40 °C
0x140,p1,1,×4 kPa,
0x140,v1,2,1/10 V,
0x140,v2,3,"÷ 10",
0x140,d1,4,100/255 %,
0x140,n1,5,1e-2,
0x140,n2,6,* 50 rpm,
0x140,n3,7,10^-1,
`,
    signals: [
      '0x140 t1 0:8le u 0.1 -40 degC',
      '0x140 p1 8:8le u 4 0 kPa',
      '0x140 v1 16:8le u 0.1 0 V',
      '0x140 v2 24:8le u 0.1 0 ',
      '0x140 d1 32:8le u 0.39215686274509803 0 %',
      '0x140 n1 40:8le u 0.01 0 ',
      '0x140 n2 48:8le u 50 0 rpm',
      '0x140 n3 56:8le u 0.1 0 ',
    ],
  },
  {
    is: 'a scaling in another unit than the unit column',
    text: `ID,Name,Byte,Resolution,Offset,Unit
0x141,supply,0,100 mV/bit,0,V
0x141,boost,1,2 kPa/bit,0,kPa
0x141,pulse,2,0.1 ms per bit,0,ms
`,
    signals: ['0x141 supply 0:8le u 0.1 0 V', '0x141 boost 8:8le u 2 0 kPa', '0x141 pulse 16:8le u 0.1 0 ms'],
  },
  {
    is: 'high and low bytes in rows of their own',
    text: `ID;Byte;Contents;Scale;Unit
0x360;0;Engine speed (high byte);;rpm
0x360;1;Engine speed (low byte);;
0x360;2;Coolant temperature;;°C
0x360;3;Oil pressure LSB;0.1;kPa
0x360;4;Oil pressure MSB;;
`,
    signals: [
      '0x360 engine_speed 7:16be u 1 0 rpm',
      '0x360 coolant_temperature 16:8le u 1 0 degC',
      '0x360 oil_pressure 24:16le u 0.1 0 kPa',
    ],
  },
  {
    is: 'high and low bytes by their start bits',
    text: `ID;Signal;Start bit;Length (bits);Factor;Unit
0x361;Speed (low byte);0;8;;rpm
0x361;Speed (high byte);8;8;;
0x361;Boost HB;16;8;0.1;kPa
0x361;Boost LB;24;8;;
0x361;Gear;32;8;;
`,
    signals: ['0x361 speed 0:16le u 1 0 rpm', '0x361 boost 23:16be u 0.1 0 kPa', '0x361 gear 32:8le u 1 0 '],
  },
  {
    is: 'columns for the most and the least significant bit',
    text: `ID,Signal,MSB,LSB,Endianness
0x150,speed,15,0,Intel
0x150,gear,19,16,Intel
0x150,brake,20,20,Intel
`,
    signals: ['0x150 speed 0:16le u 1 0 ', '0x150 gear 16:4le u 1 0 ', '0x150 brake 20:1le u 1 0 '],
  },
  {
    is: 'first and last bit',
    text: `ID,Signal,From bit,To bit
0x151,speed,0,15
0x151,gear,16,19
`,
    signals: ['0x151 speed 0:16le u 1 0 ', '0x151 gear 16:4le u 1 0 '],
  },
  {
    is: 'merged cells: a row for the frame, empty lines, a rule, a footnote and the headings again on the next page',
    text: `Appendix C: messages,,,,,
,,,,,
ID,Message,Signal,Byte,Scale,Unit
0x500,Pressures,,,,
,,Oil,0-1,0.1,kPa
,,Fuel,2-3,0.1,kPa
,,,,,
ID,Message,Signal,Byte,Scale,Unit
0x501,Temperatures,,,,
,,Oil,0-1,0.1,°C
,,Water,2-3,0.1,°C
---,---,---,---,---,---
* values are filtered,,,,,
`,
    signals: [
      '0x500 oil 0:16le u 0.1 0 kPa',
      '0x500 fuel 16:16le u 0.1 0 kPa',
      '0x501 temperatures_oil 0:16le u 0.1 0 degC',
      '0x501 water 16:16le u 0.1 0 degC',
    ],
  },
  {
    is: 'ids with words, with both bases, and with the frame’s name beside them',
    text: `Message ID,Signal,Byte
ID 0x510,a,0
0x511 (1297),b,0
1298 (0x512),c,0
0x513 Pressures,d,0
0x514 / 1300,e,0
`,
    signals: ['0x510 a 0:8le u 1 0 ', '0x511 b 0:8le u 1 0 ', '0x512 c 0:8le u 1 0 ', '0x513 d 0:8le u 1 0 ', '0x514 e 0:8le u 1 0 '],
    frames: { '0x513': { name: 'pressures' } },
  },
  {
    is: 'multiplexed as M and m0, m1',
    text: `ID,Name,Start bit,Length (bits),Mux,Factor
0x600,page,0,8,M,1
0x600,egt_1,8,16,m0,0.1
0x600,egt_2,8,16,m1,0.1
0x600,supply,56,8,,0.1
`,
    signals: [
      '0x600 page 0:8le u 1 0 ',
      '0x600 egt_1 8:16le u 0.1 0  when page=0',
      '0x600 egt_2 8:16le u 0.1 0  when page=1',
      '0x600 supply 56:8le u 0.1 0 ',
    ],
  },
  {
    is: 'multiplexed by a column of values, whose selector is the one signal marked as it',
    text: `ID;Signal;Byte;Multiplexor value
0x601;Index;0;Multiplexor
0x601;EGT 1;1-2;0x00
0x601;EGT 2;1-2;0x01
0x601;EGT 3;1-2;2, 3
`,
    signals: [
      '0x601 index 0:8le u 1 0 ',
      '0x601 egt_1 8:16le u 1 0  when index=0',
      '0x601 egt_2 8:16le u 1 0  when index=1',
      '0x601 egt_3 8:16le u 1 0  when index=2|3',
    ],
  },
  {
    is: 'multiplexed by a page, named after the column',
    text: `ID;Page;Signal;Byte;Length (bits)
0x602;;Page;0;8
0x602;0;Air temp;1;8
0x602;1;Oil temp;1;8
0x602;0..3;Lap;7;8
`,
    signals: [
      '0x602 page 0:8le u 1 0 ',
      '0x602 air_temp 8:8le u 1 0  when page=0',
      '0x602 oil_temp 8:8le u 1 0  when page=1',
      '0x602 lap 56:8le u 1 0  when page=0..3',
    ],
  },
  {
    is: 'multiplexed with the condition written out',
    text: `ID,Signal,Byte,Condition
0x603,group,0,
0x603,temp_a,1,group = 0
0x603,temp_b,1,group=1
0x603,temp_c,1,if group == 2
`,
    signals: [
      '0x603 group 0:8le u 1 0 ',
      '0x603 temp_a 8:8le u 1 0  when group=0',
      '0x603 temp_b 8:8le u 1 0  when group=1',
      '0x603 temp_c 8:8le u 1 0  when group=2',
    ],
  },
  {
    is: '29-bit ids, spaced, with a type column',
    text: `ID,Type,Signal,Start bit,Length
18 FF 12 00,Extended,speed,0,16
18FF1300h,Ext,temp,0,8
`,
    signals: ['0x18FF1200x speed 0:16le u 1 0 ', '0x18FF1300x temp 0:8le u 1 0 '],
  },
  {
    is: 'periods in a cell with their unit, in Hz, both, and on change',
    text: `ID,Name,Byte,DLC,Rate
0x700,a,0,8,100Hz
0x701,b,0,8,10 ms
0x702,c,0,4,20 ms / 50 Hz
0x703,d,0,2,on change
`,
    signals: ['0x700 a 0:8le u 1 0 ', '0x701 b 0:8le u 1 0 ', '0x702 c 0:8le u 1 0 ', '0x703 d 0:8le u 1 0 '],
    frames: {
      '0x700': { periodMs: 10, lengthBytes: 8 },
      '0x701': { periodMs: 10 },
      '0x702': { periodMs: 20, lengthBytes: 4 },
      '0x703': { lengthBytes: 2 },
    },
  },
  {
    is: 'numbers with thousands and quoted commas',
    text: `ID,Name,Byte,Factor,Min,Max,Unit
0x710,speed,0-1,"0,25",0,"16,383.75",rpm
0x710,flow,2-3,"0.05",0,"3,276.75",L/h
`,
    signals: ['0x710 speed 0:16le u 0.25 0 rpm', '0x710 flow 16:16le u 0.05 0 L/h'],
  },
  {
    is: 'a big-endian table whose start bits are the least significant ones',
    text: `ID,Signal,Start bit,Length (bits),Byte order
0x720,a,8,16,Motorola
0x720,b,24,16,Motorola
0x720,c,40,16,Motorola
`,
    signals: ['0x720 a 7:16be u 1 0 ', '0x720 b 23:16be u 1 0 ', '0x720 c 39:16be u 1 0 '],
  },
  {
    is: 'byte orders in the trade’s many words',
    text: `ID,Signal,Byte,Order
0x730,a,0-1,Low byte first
0x730,b,2-3,High byte first
0x730,c,4-5,LSB first
0x730,d,6-7,MSB-LSB
0x731,e,0-1,Lo-Hi
0x731,f,2-3,Hi/Lo
0x731,g,4-5,Little-Endian (Intel)
0x731,h,6-7,BE
`,
    signals: [
      '0x730 a 0:16le u 1 0 ',
      '0x730 b 23:16be u 1 0 ',
      '0x730 c 32:16le u 1 0 ',
      '0x730 d 55:16be u 1 0 ',
      '0x731 e 0:16le u 1 0 ',
      '0x731 f 23:16be u 1 0 ',
      '0x731 g 32:16le u 1 0 ',
      '0x731 h 55:16be u 1 0 ',
    ],
  },
  {
    is: 'copied from a PDF: columns held apart by spaces',
    text: `CAN ID   Signal            Byte   Scale   Unit
0x740    Engine speed      0-1    1       rpm
0x740    Oil pressure      2-3    0.1     kPa
0x741    Coolant temp      0      1       °C
`,
    signals: ['0x740 engine_speed 0:16le u 1 0 rpm', '0x740 oil_pressure 16:16le u 0.1 0 kPa', '0x741 coolant_temp 0:8le u 1 0 degC'],
  },
  {
    is: 'a frame a row, a column a byte',
    text: `ID,Name,Byte 0,Byte 1,Byte 2,Byte 3,Byte 4,Byte 5,Byte 6,Byte 7
0x750,Engine,RPM MSB,RPM LSB,TPS,Coolant,Oil pressure hi byte,Oil pressure lo byte,,Counter
0x751,Temps,EGT 1 LSB,EGT 1 MSB,EGT 2 LSB,EGT 2 MSB,reserved,reserved,-,-
`,
    signals: [
      '0x750 rpm 7:16be u 1 0 ',
      '0x750 tps 16:8le u 1 0 ',
      '0x750 coolant 24:8le u 1 0 ',
      '0x750 oil_pressure 39:16be u 1 0 ',
      '0x750 counter 56:8le u 1 0 ',
      '0x751 egt_1 0:16le u 1 0 ',
      '0x751 egt_2 16:16le u 1 0 ',
    ],
    frames: { '0x750': { name: 'engine', lengthBytes: 8 }, '0x751': { name: 'temps', lengthBytes: 4 } },
  },
  {
    is: 'states in several spellings, and raw values that say fault',
    text: `ID;Signal;Byte;States;Invalid
0x760;mode;0;0: off, 1: idle, 2: run;0xFF
0x760;gear;1;0=N 1=1st 2=2nd;255
0x760;fan;2;0 - off / 1 - on;FFh
`,
    signals: ['0x760 mode 0:8le u 1 0 ', '0x760 gear 8:8le u 1 0 ', '0x760 fan 16:8le u 1 0 '],
  },
  {
    is: 'a row of units under the headings',
    text: 'ID,Name,Start,Length,Factor,Offset\n(hex),,(bit),(bit),,\n300,a,0,16,0.1,0\n300,b,16,8,1,-40\n',
    signals: ['0x300 a 0:16le u 0.1 0 ', '0x300 b 16:8le u 1 -40 '],
  },
  {
    is: 'of J1939, with the offset in the resolution',
    text: `PGN,SPN,Name,Start position,Length,Resolution,Data range
61444,190,Engine Speed,4-5,2 bytes,"0.125 rpm/bit, 0 offset","0 to 8,031.875 rpm"
65262,110,Coolant,1,1 byte,"1 °C/bit, -40 °C offset",-40 to 210 °C
65262,175,Oil temp,3-4,2 bytes,"0.03125 °C/bit, -273 °C offset",-273 to 1735 °C
`,
    signals: [
      'g61444 engine_speed 24:16le u 0.125 0 rpm',
      'g65262 coolant 0:8le u 1 -40 degC',
      'g65262 oil_temp 16:16le u 0.03125 -273 degC',
    ],
  },
  {
    is: 'scaled by formulas in the column of factors',
    text: 'ID,Bytes,Signal,Scale\n0x400,B0:B1,rpm,Value/10\n0x400,B2:B3,map,raw*0.1\n0x400,B4,clt,(x*1)-40\n',
    signals: ['0x400 rpm 0:16le u 0.1 0 ', '0x400 map 16:16le u 0.1 0 ', '0x400 clt 32:8le u 1 -40 '],
  },
  {
    is: 'typed in letters, digits and byte order run together',
    text: 'ID,Offset,Type,Name\n0x401,0,U16LE,a\n0x401,2,s16be,b\n0x401,4,u8,c\n0x401,5,i8,d\n',
    signals: ['0x401 a 0:16le u 1 0 ', '0x401 b 23:16be s 1 0 ', '0x401 c 32:8le u 1 0 ', '0x401 d 40:8le s 1 0 '],
  },
  {
    is: 'placed by bytes joined in many ways',
    text: 'ID;Byte;Name\n0x402;0+1;a\n0x402;2 & 3;b\n0x402;4/5;c\n0x402;Byte 6 (MSB) - Byte 7 (LSB);d\n',
    signals: ['0x402 a 0:16le u 1 0 ', '0x402 b 16:16le u 1 0 ', '0x402 c 32:16le u 1 0 ', '0x402 d 55:16be u 1 0 '],
  },
  {
    is: 'placed in hexadecimal',
    text: 'ID,Name,Start bit,Size,Endian\n0x601,a,0x00,0x10,LE\n0x601,b,0x10,0x08,LE\n',
    signals: ['0x601 a 0:16le u 1 0 ', '0x601 b 16:8le u 1 0 '],
  },
  {
    is: 'in sections, the id above each block',
    text: 'Frame 0x500 Engine (10 ms)\nByte,Name,Factor\n0-1,rpm,1\n2,clt,1\n\nFrame 0x501 (50 ms)\nByte,Name,Factor\n0-1,oil,0.1\n',
    signals: ['0x500 rpm 0:16le u 1 0 ', '0x500 clt 16:8le u 1 0 ', '0x501 oil 0:16le u 0.1 0 '],
    frames: { '0x500': { name: 'engine' }, '0x501': { name: 'frame_501' } },
  },
];
