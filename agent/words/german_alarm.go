package words

// germanAlarm is what the alarm desk tells: the messages, and of the table of kinds what they say
// and the page does not.
var germanAlarm = map[string]string{
	// A message.
	"URGENT": "DRINGEND", "Warning": "Warnung",
	"%s %s: %s since %s": "%s %s: %s seit %s", "Over at %s: %s, %s to %s": "Vorbei bei %s: %s, %s bis %s",
	"bays %s and %s": "Becken %s und %s", " (bays %s)": " (Becken %s)", " of bay %s": " von Becken %s", " at bay %s": " für Becken %s",
	"Answer: %s": "Antworten: %s", "Shut-off: %s": "Absperrung: %s", "%s (over)": "%s (vorbei)", "%s in all": "%s insgesamt", "its valve": "am Hauptventil",
	"no flood": "keine Überflutung", "overflow runs now": "Überlauf läuft jetzt", "overflow runs in %s": "Überlauf: noch %s",
	"soft surface now": "Belag jetzt weich", "soft surface in %s": "Belag weich: noch %s", "dusty surface now": "Belag jetzt staubig", "dusty surface in %s": "Belag staubt: noch %s",
	"it freezes now": "es friert jetzt", "it freezes in %s": "es friert in %s",

	// Its long form.
	"Where": "Wo", "Since": "Seit", "Until": "Bis", "Why": "Warum", "How much": "Wie viel", "Or": "Oder", "To find out": "Klären", "Do first": "Zuerst", "Careful": "Vorsicht", "Shut-off": "Absperrung",
	"If nobody acts": "Tut niemand etwas", "It ends when": "Endet damit", "Alarm": "Alarm", "or %s": "oder %s", "it could also be: %s": "es könnte auch sein: %s",
	"the overflow runs now": "der Überlauf läuft jetzt", "%s to the overflow's crest": "noch %s bis zur Überlaufkante", "the surface is soft now": "der Belag ist jetzt weich", "%s until the surface is soft": "noch %s, bis der Belag weich ist",
	"the surface is dust now": "der Belag ist jetzt Staub", "%s until the surface is dust": "noch %s, bis der Belag Staub ist", "%s until it freezes": "noch %s, bis es friert",
	"water runs to waste, and the court does not flood": "Wasser geht verloren, der Platz wird nicht überflutet",

	// The daemon's own troubles.
	"historian %s": "Historie %s", "notices to %s": "Nachrichten an %s", "no reason known yet": "Grund noch unbekannt",
	"another master speaks on this line: %s": "ein anderer Master spricht auf dieser Leitung: %s", "listening for another master before the first request": "vor der ersten Anfrage wird gehorcht, ob ein anderer Master spricht",
	"%s refuses the connection": "%s lehnt die Verbindung ab", "%s does not answer": "%s antwortet nicht", "no way in the network leads to %s": "im Netz führt kein Weg zu %s", "its adapter is not plugged in": "ihr Adapter steckt nicht",
	"Nothing is read on line %s: %s.": "Auf der Leitung %s wird nichts gelesen: %s.", "%s takes no data (%s); it is kept here and sent later.": "%s nicht erreichbar (%s); alles bleibt hier und wird später gesendet.",
	"The journal has no room left; readings are watched but not kept.":                                                                    "Das Journal hat keinen Platz mehr; Messwerte werden überwacht, aber nicht aufbewahrt.",
	"The journal takes no readings (%s); they are watched but not kept.":                                                                  "Das Journal nimmt keine Messwerte an (%s); sie werden überwacht, aber nicht aufbewahrt.",
	"%s, set aside at an earlier start, still waits for somebody to look at it":                                                           "%s, bei einem früheren Start beiseitegelegt, wartet noch darauf, dass jemand danach sieht",
	"the ledger was damaged, is set aside as %s and begun anew":                                                                           "das Kontobuch war beschädigt, liegt als %s beiseite und ist neu begonnen",
	"the ledger was damaged and is set aside as %s; the last daily copy took its place":                                                   "das Kontobuch war beschädigt und liegt als %s beiseite; die letzte Tageskopie hat seinen Platz eingenommen",
	"the file of samples was damaged and is set aside as %s; of what was not sent yet, %d samples were saved from it and %d could not be": "die Datei der Messwerte war beschädigt und liegt als %s beiseite; von den noch nicht gesendeten wurden %d gerettet, %d nicht",
	"The daemon shut the main because of %s.":                                                                                             "Die Überwachung hat die Zuleitung wegen %s abgesperrt.", "The isolation valve does not do as it was told: %s.": "Das Absperrventil tut nicht, was ihm gesagt wurde: %s.",
	"This machine's clock is not to be trusted: %s.": "Der Uhr dieses Rechners ist nicht zu trauen: %s.", "nobody has set it since the machine was started": "niemand hat sie gestellt, seit der Rechner läuft",
	"it shows %s, and the newest reading is of %s; if it is that reading that is wrong, stop the daemon and run bayledger journal redate": "sie zeigt %s, und der neueste Messwert ist von %s; ist es der Messwert, der nicht stimmt, die Überwachung anhalten und bayledger journal redate aufrufen",
	"somebody has set it by %v and nothing vouches for that; it is not followed":                                                          "jemand hat sie um %v verstellt, und nichts bestätigt das; ihr wird nicht gefolgt", "nobody has vouched for it for %v": "schon %v lang hat sie niemand bestätigt",
	"it was ahead and is %v ahead still; it runs slower until true time has come level":                                                                               "sie ging vor, jetzt noch %v; sie geht langsamer, bis die wahre Zeit sie einholt",
	"it was ahead and is %v ahead still; it runs slower until true time has come level, in %v; if that is too long, stop the daemon and run bayledger journal redate": "sie ging vor, jetzt noch %v; sie geht langsamer, bis die wahre Zeit sie einholt, noch %v lang; dauert das zu lange, die Überwachung anhalten und bayledger journal redate aufrufen",

	// What keeps an alarm quiet.
	"shelved until %s%s%s": "zurückgestellt bis %s%s%s", "maintenance until %s%s": "Wartung bis %s%s", " by %s": " von %s", ": %s": ": %s", "the season is closed": "die Saison ist beendet", "folded under %s": "gehört zu %s",

	// What not to do, in few words.
	"Ask for cables before digging.": "Vor dem Graben nach Kabeln fragen.", "Backflow preventer: licensed trade only.": "Rückflussverhinderer: nur der Fachbetrieb.", "Cabinet: dry hands only.": "Schrank nur mit trockenen Händen.",
	"Controller off before touching wires.": "Erst Steuerung aus, dann an die Drähte.", "Do not loosen a fitting under pressure.": "Nichts unter Druck lösen.", "Do not open a strainer under pressure.": "Schmutzfänger nicht unter Druck öffnen.",
	"Do not trust the level shown.": "Angezeigtem Stand nicht trauen.", "Keep off electrics in water.": "Elektrik im Wasser nicht anfassen.", "Never take a valve apart under pressure.": "Ventil nie unter Druck zerlegen.", "No rolling or play while soft.": "Weich: nicht walzen, nicht spielen.",

	// What is the matter, and when it is over: a sentence of its own.
	"the daemon shut the main isolation valve": "die Überwachung hat die Zuleitung abgesperrt", "a person opens it again": "jemand öffnet wieder",
	"nothing answers on a line to the field": "auf einer Feldleitung antwortet nichts", "the line answers again": "die Leitung antwortet wieder",
	"a point or a unit has not given a good reading": "eine Messstelle oder ein Gerät hat keinen guten Messwert gegeben", "good readings are back": "es kommen wieder gute Messwerte",
	"a point follows another bay's water": "eine Messstelle folgt dem Wasser eines anderen Beckens", "the wiring or the site file is put right": "Verdrahtung oder Anlagendatei ist berichtigt",
	"the level reading cannot be true": "der Messwert des Wasserstands kann nicht stimmen", "it has been good for an hour, or the sensor is replaced": "er ist seit einer Stunde gut, oder der Sensor ist getauscht",
	"no bay that asks gets water, or the pressure is gone": "kein Becken, das Wasser verlangt, bekommt welches, oder der Druck ist weg", "flow or pressure is back": "Durchfluss oder Druck ist wieder da",
	"the main meter disagrees with the bays' meters in a way no leak explains": "der Hauptzähler widerspricht den Zählern der Becken, wie es kein Leck erklärt", "it agrees again or is replaced": "er stimmt wieder oder ist getauscht",
	"the main meter runs more than the bays' meters while the valves are shut": "der Hauptzähler läuft bei geschlossenen Ventilen mehr als die Zähler der Becken", "main and bay meters agree again": "Hauptzähler und Zähler der Becken stimmen wieder überein",
	"the bay's meter is dead, creeps or registers wrongly":      "der Zähler des Beckens steht, schleicht oder zählt falsch",
	"water runs into the bay although the valve should be shut": "Wasser läuft ins Becken, obwohl das Ventil zu sein sollte", "the meter has stood still for two pulses' time": "der Zähler steht seit zwei Impulsdauern still",
	"the bay asks for water and gets none although there is pressure": "das Becken verlangt Wasser und bekommt keins, obwohl Druck da ist", "flow is seen": "es fließt Wasser",
	"what one bay loses its neighbour gains": "was ein Becken verliert, gewinnt sein Nachbar", "both accounts close again": "beide Bilanzen gehen wieder auf",
	"water arrives with the valve shut, too slowly for the meter": "bei geschlossenem Ventil kommt Wasser, zu langsam für den Zähler", "a clean settled night": "eine saubere ruhige Nacht",
	"the overflow is blocked, or drains below its crest": "der Überlauf ist verstopft oder läuft unter seiner Kante aus", "it behaves again": "er tut wieder, was er soll",
	"water leaves the bay that weather and level do not explain": "Wasser verlässt das Becken, das Wetter und Wasserstand nicht erklären", "the account has closed for as long as the leak took to see": "die Bilanz geht so lange auf, wie das Leck zum Sehen brauchte",
	"the account does not close, and the evidence cannot name liner, overflow, meter or sensor": "die Bilanz geht nicht auf, und nichts zeigt, ob Folie, Überlauf, Zähler oder Sensor schuld ist", "the cause is named or the account closes": "die Ursache ist benannt, oder die Bilanz geht auf",
	"fills run much slower than this bay's habit": "die Füllungen laufen viel langsamer als bei diesem Becken üblich", "its habit is regained": "es ist wieder wie üblich",
	"the supply pressure is outside the site's band": "der Leitungsdruck liegt außerhalb des Bereichs der Anlage", "it is back in the band": "er ist wieder im Bereich",
	"water stands at or over the overflow's crest": "das Wasser steht an oder über der Überlaufkante", "the level is below the crest, or no metered water stands there any more": "der Wasserstand ist unter der Kante, oder dort steht kein gezähltes Wasser mehr",
	"the level stands above its band and stays or rises": "der Wasserstand liegt über dem Sollbereich und bleibt oder steigt", "the level has settled back in its band": "der Wasserstand ist im Sollbereich zur Ruhe gekommen",
	"the level has fallen below its band and will not recover by itself": "der Wasserstand ist unter den Sollbereich gefallen und erholt sich nicht von selbst", "the level is back in its band": "der Wasserstand ist wieder im Sollbereich",
	"the chamber settles much more slowly than this bay's habit": "der Pegelschacht kommt viel langsamer zur Ruhe als bei diesem Becken üblich",
	"a chamber or pipe that holds water will freeze":             "ein Schacht oder Rohr, in dem Wasser steht, wird einfrieren", "it is thawed or drained": "es ist getaut oder entleert",
	"nothing vouches for this machine's clock": "nichts bestätigt die Uhr dieses Rechners", "the clock is synchronised": "die Uhr ist gestellt",
	"the journal cannot keep what is read": "das Journal kann nicht aufbewahren, was gelesen wird", "it keeps readings again": "es bewahrt wieder Messwerte auf",
	"the journal's disk is full": "der Speicher des Journals ist voll", "there is room again": "es ist wieder Platz",
	"a historian or broker does not take data": "eine Historie oder ein Broker nimmt keine Daten", "it takes data again": "sie nimmt wieder Daten",
	"it is gone": "es ist weg",
}
