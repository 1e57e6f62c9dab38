package words

// germanWatch is what the watch finds and the alarm desk makes of it. A time that something lasts
// stands where German has no case to mind: "%s lang", "noch %s, bis".
var germanWatch = map[string]string{
	// Times, and what is said of several kinds.
	"%d s": "%d s", "%d min": "%d min", "%.1f h": "%.1f h", "%.1f days": "%.1f Tage",
	"once": "einmal", "%d times in a row": "%d-mal hintereinander", "more": "mehr", "less": "weniger",
	": %s (± %s) so far": ": bisher %s (± %s)",

	// Fills.
	"Bay %s's last %d fills ran at %s; its habit is %s.": "Die letzten %[2]d Füllungen von Becken %[1]s liefen mit %[3]s; üblich sind dort %[4]s.",
	"In its last fill bay %s's chamber rose by about %.0f %% of what such a fill usually lifts it, and went on rising when the water had stopped: the pipe between bay and chamber lets the water through too slowly.": "Bei der letzten Füllung stieg der Pegelschacht von Becken %s nur um etwa %.0f %% dessen, was eine solche Füllung sonst bringt, und stieg nach ihrem Ende weiter: Das Rohr zwischen Becken und Schacht lässt das Wasser zu langsam durch.",
	"In its last %d fills bay %s's chamber rose by about %.0f %% of what such fills usually lift it, and made up for it only afterwards: the pipe between bay and chamber lets the water through too slowly.":          "Bei den letzten %d Füllungen stieg der Pegelschacht von Becken %s nur um etwa %.0f %% dessen, was solche Füllungen sonst bringen, und holte es erst danach auf: Das Rohr zwischen Becken und Schacht lässt das Wasser zu langsam durch.",

	// The level.
	"Bay %s has stood at %s for %s, above the %s its band ends at; %s.":                                "Becken %[1]s steht schon %[3]s lang bei %[2]s, über dem Ende seines Sollbereichs bei %[4]s; %[5]s.",
	"it is not falling back into its band":                                                             "es fällt nicht in den Sollbereich zurück",
	"%s still runs in, and the overflow runs in about %s":                                              "%s laufen noch ein; noch etwa %s, bis der Überlauf läuft",
	"%s still runs in, and the overflow runs now":                                                      "%s laufen noch ein, und der Überlauf läuft jetzt",
	"Bay %s has fallen to %s, below the %s at which it should have been filled, and no water comes%s.": "Becken %s ist auf %s gefallen, unter die %s, bei denen es hätte gefüllt werden sollen, und es kommt kein Wasser%s.",
	"; on a summer's day the surface is dust in about %s":                                              "; an einem Sommertag bleiben etwa %s, bis der Belag staubt",

	// The overflow.
	"Bay %s has stood at its overflow's crest of %s since %s after %s were let in; %s.": "Becken %[1]s steht seit %[3]s an der Überlaufkante von %[2]s, nachdem %[4]s zugeführt wurden; %[5]s.",
	"nothing runs in": "es läuft nichts ein", "%s run in": "%s laufen ein",
	"Bay %s is held at %s, and its overflow's crest stands at %s: what is let in above it runs off until the set point is lowered; %s.":                                            "Becken %s wird auf %s gehalten, und seine Überlaufkante steht bei %s: Was darüber zugeführt wird, läuft ab, bis der Sollwert gesenkt ist; %s.",
	"Bay %s has stood at its overflow's crest of %s since %s, and no rain brought it there.":                                                                                       "Becken %[1]s steht seit %[3]s an der Überlaufkante von %[2]s, und kein Regen hat es so hoch gebracht.",
	"Bay %s has stood %s above its overflow's crest for %s: the overflow does not carry the water away.":                                                                           "Becken %[1]s steht schon %[3]s lang %[2]s über der Überlaufkante: Der Überlauf führt das Wasser nicht ab.",
	"Dip the chamber: if the dip shows the crest's height, it is the sensor.":                                                                                                      "Den Pegelschacht von Hand messen: Zeigt die Handmessung die Höhe der Überlaufkante, ist es der Sensor.",
	"Bay %s has lost water since about %s and stopped losing at %s, below the %s it should keep: a liner would go on losing, an overflow that has slipped down to there does not.": "Becken %s hat etwa seit %s Wasser verloren und bei %s damit aufgehört, unter seinem Soll von %s: Durch eine undichte Folie ginge weiter Wasser verloren, über einen bis dorthin abgesackten Überlauf nicht.",
	"Bay %s has been let in %s since %s and stands at %s, still below the %s it should keep; %s (± %s) have run off.":                                                              "Becken %[1]s hat seit %[3]s %[2]s bekommen und steht bei %[4]s, noch immer unter seinem Soll von %[5]s; %[6]s (± %[7]s) sind abgelaufen.",
	"Look at the overflow of bay %s while it is filled: if water runs there, it has slipped or drains below its crest; if none does, it is the liner.":                             "Den Überlauf von Becken %s während einer Füllung ansehen: Läuft dort Wasser, ist er abgesackt oder läuft unter seiner Kante aus; läuft keins, ist es die Folie.",
	"Look at the overflow of bay %s: if water runs there below its crest, it is the overflow; if at its crest, dip the chamber, for the sensor reads low.":                         "Den Überlauf von Becken %s ansehen: Läuft dort Wasser unter der Kante ab, ist es der Überlauf; läuft es an der Kante über, den Stand von Hand messen, denn der Sensor zeigt zu wenig.",

	// The sensor.
	"Bay %s's level sensor shows %s, which cannot be in a bay %s deep.":                                                                            "Der Pegelsensor von Becken %s zeigt %s; in einem %s tiefen Becken kann das nicht sein.",
	"Bay %s's level sensor has failed since %s (%s).":                                                                                              "Der Pegelsensor von Becken %s ist seit %s ausgefallen (%s).",
	"Bay %s's level has shown %s without a change for %s, while what the weather asked and the meter counted should have moved it by at least %s.": "Der Wasserstand von Becken %[1]s zeigt schon %[3]s lang unverändert %[2]s, obwohl er sich nach Wetter und Zähler um mindestens %[4]s hätte bewegen müssen.",
	"Bay %s's level has shown %s without a change since %s, while %s were let in: it should have risen by at least %s.":                            "Der Wasserstand von Becken %[1]s zeigt seit %[3]s unverändert %[2]s, obwohl %[4]s zugeführt wurden: Er hätte um mindestens %[5]s steigen müssen.",
	"Bay %s's level reading leaps away and back: about %.0f times in the last hour.":                                                               "Der Messwert des Wasserstands von Becken %s springt weg und wieder zurück: etwa %.0f-mal in der letzten Stunde.",
	"The dip at bay %s and its sensor differ by %s.":                                                                                               "Handmessung und Sensor von Becken %s liegen %s auseinander.",

	// Silence.
	"No good reading of %s for %s.":                    "Schon %[2]s lang kein guter Messwert von %[1]s.",
	"No good reading of %s for %s (%s).":               "Schon %[2]s lang kein guter Messwert von %[1]s (%[3]s).",
	"Nothing good from %s for %s; it carries %s.":      "Von %s kommt schon %s lang nichts Brauchbares; daran hängen %s.",
	"Nothing good from %s for %s (%s); it carries %s.": "Von %s kommt schon %s lang nichts Brauchbares (%s); daran hängen %s.",

	// The meters.
	"Bay %s's level has risen like in a fill %s since %s (last by %s), and its meter has not turned.":                   "Der Wasserstand von Becken %[1]s ist seit %[3]s %[2]s wie bei einer Füllung gestiegen (zuletzt um %[4]s), und der Zähler hat sich nicht gedreht.",
	"Bay %s's meter reports a flow of %s and its total has not moved since %s.":                                         "Der Zähler von Becken %s meldet %s Durchfluss, und sein Zählwerk steht seit %s.",
	"Bay %s's meter has counted %.0f %% (± %.0f %%) %s than the main meter does while it is filled, since about %s.":    "Der Zähler von Becken %s zählt bei dessen Füllungen %.0f %% (± %.0f %%) %s als der Hauptzähler, etwa seit %s.",
	"Bay %s's meter counts about %.0f %% (± %.0f %%) %s than the level says has come in, since about %s.":               "Der Zähler von Becken %s zählt etwa %.0f %% (± %.0f %%) %s, als nach dem Wasserstand eingelaufen ist, etwa seit %s.",
	"Run a bucket of known size through the meter; if it counts it rightly, dip the chamber.":                           "Einen Eimer bekannter Größe durch den Zähler laufen lassen; zählt er richtig, den Pegelschacht von Hand messen.",
	"The main meter has counted %s (± %s) more than the bays' meters since about %s: %s so far.":                        "Der Hauptzähler zählt etwa seit %[3]s %[1]s (± %[2]s) mehr als die Zähler der Becken: bisher %[4]s.",
	"The main meter counts %.0f %% less than the bays' meters together.":                                                "Der Hauptzähler zählt %.0f %% weniger als die Zähler der Becken zusammen.",
	"The main meter has counted %.0f %% (± %.0f %%) %s than the bays' meters, whichever bay is filled, since about %s.": "Der Hauptzähler zählt %.0f %% (± %.0f %%) %s als die Zähler der Becken, gleich welches Becken gefüllt wird, etwa seit %s.",

	// What the balance finds.
	"By the account bay %s has lost about %.0f %% (± %.0f %%) %s a day than the other bays' days let expect, since about %s.":                                                               "Nach der Bilanz verliert Becken %s etwa %.0f %% (± %.0f %%) %s am Tag, als die Tage der anderen Becken erwarten lassen, etwa seit %s.",
	"Bay %s loses %s (± %s) more than weather and level explain, since about %s%s.":                                                                                                         "Becken %s verliert %s (± %s) mehr, als Wetter und Wasserstand erklären, etwa seit %s%s.",
	"Bay %s gains %s (± %s) that no meter counted, since about %s%s.":                                                                                                                       "Becken %s gewinnt %s (± %s), die kein Zähler gezählt hat, etwa seit %s%s.",
	"Bay %s loses %s (± %s) to its neighbour %s, which gains as much, since about %s.":                                                                                                      "Becken %s verliert %s (± %s) an seinen Nachbarn %s, der ebenso viel gewinnt, etwa seit %s.",
	"Shut the hand valve of bay %s tonight: if the level still falls it is the liner, and if it holds, the meter counts too much.":                                                          "Heute Nacht das Handventil von Becken %s schließen: Fällt der Wasserstand weiter, ist es die Folie; bleibt er, zählt der Zähler zu viel.",
	"Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if the dips fall as the sensor does it is the liner, and if they hold, the sensor.":          "Heute Nacht das Handventil von Becken %s schließen und abends und morgens den Pegelschacht von Hand messen: Fallen die Handmessungen wie der Sensor, ist es die Folie; bleiben sie gleich, der Sensor.",
	"Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if the rise stops it is the valve, and if the sensor rises while the dips hold, the sensor.": "Heute Nacht das Handventil von Becken %s schließen und abends und morgens den Pegelschacht von Hand messen: Hört der Anstieg auf, ist es das Ventil; steigt der Sensor, während die Handmessungen gleich bleiben, der Sensor.",
	"Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if they fall it is the liner%s%s%s.":                                                         "Heute Nacht das Handventil von Becken %s schließen und abends und morgens den Pegelschacht von Hand messen: Fallen die Handmessungen, ist es die Folie%s%s%s.",
	", or its overflow if water runs there":        ", oder der Überlauf, wenn dort Wasser läuft",
	"; if they hold and the sensor too, the meter": "; bleiben sie gleich und der Sensor auch, der Zähler",
	"; if only the sensor falls, the sensor":       "; fällt nur der Sensor, der Sensor",

	// Valves and supply.
	"Bay %s takes %s %s since %s: %s (± %s) so far%s%s%s.": "Becken %[1]s nimmt %[2]s auf, %[3]s, seit %[4]s: bisher %[5]s (± %[6]s)%[7]s%[8]s%[9]s.",
	"although its valve was told to shut":                  "obwohl sein Ventil den Befehl zu schließen hat", "although its valve reports shut": "obwohl sein Ventil meldet, es sei zu",
	"past where its fills stop": "über den Stand hinaus, bei dem seine Füllungen sonst enden",
	"; the overflow is running": "; der Überlauf läuft", "; the overflow runs in about %s": "; noch etwa %s, bis der Überlauf läuft",
	", the surface is soft in about %s": ", noch etwa %s, bis der Belag weich ist", "; it can carry only %s": "; der Überlauf schafft nur %s",
	"%s; the overflow carries the whole flow, so the court does not flood":                                                      "%s; der Überlauf führt alles ab, der Platz wird nicht überflutet",
	"Bay %s: %s for %s and no water has come; the level is %s.":                                                                 "Becken %[1]s: Schon %[3]s lang %[2]s, und es kam kein Wasser; der Wasserstand ist %[4]s.",
	"its valve has been told to open":                                                                                           "hat das Ventil den Befehl zu öffnen",
	"its level has stood below its band and the controller was free to fill":                                                    "steht der Wasserstand unter dem Sollbereich und die Steuerung durfte füllen",
	"Dip the chamber of bay %s: if the dip stands lower, it is the sensor; else look for what runs in: valve, hose, neighbour.": "Den Stand im Pegelschacht von Becken %s von Hand messen: Steht er tiefer, ist es der Sensor; sonst nachsehen, was einläuft: Ventil, Schlauch, Nachbarbecken.",
	"it rises, no meter counts what comes in, and the overflow runs in about %s":                                                "es steigt, kein Zähler zählt, was einläuft, und in etwa %s läuft der Überlauf",
	"Look at the set point first: if somebody has lowered it, no water is due yet.":                                             "Zuerst den Sollwert ansehen: Hat ihn jemand gesenkt, ist noch kein Wasser fällig.",
	"Open another bay's valve by hand: if no water comes there either, it is the supply.":                                       "Das Ventil eines anderen Beckens von Hand öffnen: Kommt auch dort kein Wasser, ist es die Zuleitung.",
	"The supply pressure is down to %s and bay %s asks for water in vain.":                                                      "Der Leitungsdruck ist auf %s gefallen, und Becken %s verlangt vergeblich Wasser.",
	"The supply pressure is down to %s.":                                                                                        "Der Leitungsdruck ist auf %s gefallen.",
	"%d bays have asked for water for %s or more and no meter turns.":                                                           "%d Becken verlangen schon %s lang oder länger Wasser, und kein Zähler dreht sich.",
	"The supply stands at %s; the site's band is %s to %s.":                                                                     "Der Leitungsdruck ist %s; der Bereich der Anlage ist %s bis %s.",

	// Wiring.
	"When bay %s's valve was told to open, the meter of bay %s began to turn and its own stood still (seen %s); bay %s's valve had been told to stay shut.": "Als das Ventil von Becken %s den Befehl zu öffnen bekam, begann sich der Zähler von Becken %s zu drehen, und der eigene stand (%s gesehen); das Ventil von Becken %s sollte zu bleiben.",
	"Open the valve of bay %s by hand and see which meter turns.":                                                                                           "Das Ventil von Becken %s von Hand öffnen und sehen, welcher Zähler sich dreht.",
	"The last %d fills of bay %s lifted the level of bay %s, where nothing was let in, and not its own: their level sensors are mixed up, or their meters.": "Die letzten %d Füllungen von Becken %s hoben den Wasserstand von Becken %s, dem nichts zugeführt wurde, und nicht den eigenen: Ihre Pegelsensoren sind vertauscht, oder ihre Zähler.",
	"Pour a bucket of water into the chamber of bay %s and see which level rises.":                                                                          "Einen Eimer Wasser in den Pegelschacht von Becken %s gießen und sehen, welcher Wasserstand steigt.",

	// Frost; what will freeze stands in the accusative.
	"The air is at %s%s: %s will freeze.": "Die Luft hat %s%s: Frostgefahr für %s.",
	"The air is at %s and falls by %s an hour: it can be expected to reach %s%s, and %s will freeze.":                              "Die Luft hat %s und fällt um %s in der Stunde: Zu erwarten sind %s%s, und damit Frostgefahr für %s.",
	"Tonight may freeze, %d in 10: the air is at %s and can be expected to reach %s by sunrise, about %s%s. Then %s would freeze.": "Heute Nacht kann es frieren, in %d von 10 Fällen: Die Luft hat %s, bis Sonnenaufgang gegen %[4]s sind %[3]s zu erwarten%[5]s. Das wäre Frostgefahr für %[6]s.",
	", the ground on a clear night like this %s lower":                                                                             ", am Boden in einer klaren Nacht wie dieser %s weniger",
	"chambers and pipes with water in them":                                                                                        "Schächte und Leitungen, in denen Wasser steht",
	"the chamber of %s":                                                                                                            "den Pegelschacht von %s", "the supply line": "die Zuleitung", "%s (not drained)": "%s (nicht entleert)",

	// The end of an alarm.
	"It is over: %s.": "Vorbei: %s.", "None; it is over.": "Nichts; es ist vorbei.",

	// What the watch knows of a bay.
	"Open alarms:": "Offene Alarme:", "  %s, raised %s, %s. %s": "  %s, gemeldet %s, %s. %s", "The data end %s before the time asked for.": "Die Daten enden %s vor der gefragten Zeit.",
	"Bay %s at %s.": "Becken %s um %s.", "filling": "füllt", "settling": "kommt zur Ruhe", "settled": "in Ruhe",
	"Level %s (%s, %s), set point %s, flow %s.": "Wasserstand %s (%s, %s), Sollwert %s, Durchfluss %s.",
	"the bay itself %s ± %s":                    "das Becken selbst %s ± %s", "the bay's own level not known well enough yet": "der Stand im Becken selbst noch nicht genau genug bekannt",
	"Learned: storage %.2f ± %.2f of nominal, evaporation factor %.2f ± %.2f, constant loss %s ± %s, settling %s, learning %s.":                            "Gelernt: Speicher %.2f ± %.2f des Nennwerts, Verdunstungsfaktor %.2f ± %.2f, ständiger Verlust %s ± %s, zur Ruhe kommen %s, Lernen %s.",
	"A leak older than the watch cannot be excluded yet: the constant loss is known to %s, %s is asked for.":                                               "Ein Leck, das älter ist als die Überwachung, ist noch nicht auszuschließen: Der ständige Verlust ist auf %s genau bekannt, verlangt sind %s.",
	"Second opinion, by level and meter alone (White 1932), still nights %d: evaporation factor %.2f ± %.2f; in the last the level %s by %s (± %s) a day.": "Zweite Meinung, nur aus Wasserstand und Zähler (White 1932), ruhige Nächte %d: Verdunstungsfaktor %.2f ± %.2f; in der letzten %s der Wasserstand um %s (± %s) am Tag.",
	"Holds: %s, confidence %.2f. %s": "Es liegt vor: %s, Sicherheit %.2f. %s", "Or %s. %s": "Oder %s. %s", "Nothing holds.": "Es liegt nichts vor.",
	"loss": "Verlust", "gain without metered water": "Gewinn ohne gezähltes Wasser", "No sign of a %s.": "Kein Anzeichen für %s.",
	"Beside the other bays' days: likeliest %.0f %% (± %.0f %%) %s a day since %s; the test stands at %.1f and raises at %.1f.":                                                            "Neben den Tagen der anderen Becken: am wahrscheinlichsten %.0f %% (± %.0f %%) %s am Tag seit %s; der Test steht bei %.1f und meldet ab %.1f.",
	"Likeliest %s: %s ± %s since %s; log-likelihood %.1f against none, %.1f for a single jump, %.1f for the weather; the test stands at %.1f and raises at %.1f (%.1f for what may page).": "Wahrscheinlichster %s: %s ± %s seit %s; Log-Likelihood %.1f gegen keinen, %.1f für einen einmaligen Sprung, %.1f für das Wetter; der Test steht bei %.1f und meldet bei %.1f (%.1f für das, was rufen darf).",
	"The loss went on as the water sank, so it is not the overflow's.":                                                                                                                     "Der Verlust ging weiter, als das Wasser sank; der Überlauf ist es also nicht.",
	"Whether the loss ends as the water sinks, as an overflow's would, has not shown itself yet.":                                                                                          "Ob der Verlust mit dem Wasser endet, wie es bei einem Überlauf wäre, hat sich noch nicht gezeigt.",
	"The last %s: %s let in; the bay holds %s %s, so %s %s; its habit asks for a loss of %s; %s (± %s) %s.":                                                                                "Die letzten %s: %s zugeführt; das Becken hält %s %s, also %s %s; üblich wäre ein Verlust von %s; %s (± %s) %s.",
	"left it": "haben es verlassen", "came in besides": "kamen sonst dazu", "rose": "stieg", "fell": "fiel",
	"No balance of a day or a night has closed yet to judge a slow loss or gain by; a large loss is judged by the hour.": "Noch hat keine Bilanz eines Tages oder einer Nacht geschlossen, an der sich ein langsamer Verlust oder Gewinn beurteilen ließe; ein großer Verlust wird nach Stunden beurteilt.",
	"are missing": "fehlen", "are there that nothing explains": "sind da, die nichts erklärt",
	"The valve rule holds since %s.": "Die Ventilregel greift seit %s.", "Since the valve shut %s have been counted; two pulses are %s.": "Seit das Ventil schloss, wurden %s gezählt; zwei Impulse sind %s.",
	"The bay has asked for water since %s and been free to get it for %s.": "Das Becken verlangt seit %s Wasser und hätte es %s lang bekommen dürfen.",
}
