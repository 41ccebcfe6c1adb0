"""Invented pages in MEI and Humdrum, for tests of reading."""

HUMDRUM = """!!!OTL: An invented tune
!!!COM: Nobody (invented)
!!!LYR: Someone (invented)
**kern\t**kern\t**text\t**text\t**mxhm
*clefF4\t*clefG2\t*\t*\t*
*k[f#]\t*k[f#]\t*\t*\t*
*G:\t*G:\t*\t*\t*
*M3/4\t*M3/4\t*\t*\t*
4G\t4d\tSing\tNow\tG
=1\t=1\t=1\t=1\t=1
2E\t2g\tglo-\tlet\tE minor
4D\t4f#\t-ry,\tus\tD7
=2\t=2\t=2\t=2\t=2
2G;\t2b;\tpraise\tsing\tG
=:|!\t=:|!\t=:|!\t=:|!\t=:|!
4F#\t12bL\tthe\ta\tD/F#
.\t12a\t.\t.\t.
.\t12bJ\t.\t.\t.
=3\t=3\t=3\t=3\t=3
2.E\t[2.g\tway\tway\tEm
=4\t=4\t=4\t=4\t=4
2G\t2g]\t.\t.\tB- half-diminished/D-
==\t==\t==\t==\t==
*-\t*-\t*-\t*-\t*-
"""

MEI = """<?xml version="1.0" encoding="UTF-8"?>
<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.0">
<meiHead><fileDesc><titleStmt><title>An invented page</title><respStmt>
<persName role="composer">Nobody (invented)</persName>
<persName role="lyricist">Someone</persName></respStmt></titleStmt>
<pubStmt><availability><useRestrict>Free to all.</useRestrict></availability></pubStmt></fileDesc></meiHead>
<music><body><mdiv><score>
<scoreDef keysig="1f" meter.count="4" meter.unit="4"><staffGrp>
<staffDef n="1" lines="5" clef.shape="G" clef.line="2"/></staffGrp></scoreDef>
<section>
<measure n="0" metcon="false"><staff n="1"><layer n="1"><note xml:id="a" dur="4" oct="4" pname="f">
<verse n="1"><syl con="d" wordpos="i">A</syl></verse></note></layer></staff>
<harm startid="#a">F</harm><tempo tstamp="1" mm="80" mm.unit="4">slow</tempo></measure>
<measure n="1" left="rptstart"><staff n="1"><layer n="1">
<note dur="4" oct="4" pname="b"><verse n="1"><syl wordpos="t">men,</syl></verse></note>
<beam><note dur="8" oct="4" pname="b" accid="n"><verse n="1"><syl con="u">sing</syl></verse></note>
<note dur="8" oct="4" pname="b"/></beam>
<note xml:id="b" dur="2" oct="4" pname="b" fermata="above"><verse n="1"><syl>loud</syl></verse></note></layer></staff>
<harm tstamp="1">Bb/D</harm><harm tstamp="2">strange</harm><breath startid="#b"/></measure>
<ending n="1"><measure n="2" right="rptend"><staff n="1"><layer n="1"><note dur="2" dots="1" oct="4" pname="a"/>
<note dur="4" oct="4" pname="g" tie="i"/></layer></staff></measure></ending>
<ending n="2"><measure n="3"><staff n="1"><layer n="1">
<chord dur="4"><note oct="4" pname="a"/><note oct="4" pname="f"/></chord>
<app><lem><note dur="4" oct="4" pname="b"/></lem><rdg><note dur="4" oct="5" pname="c"/></rdg></app>
<tuplet num="3" numbase="2"><note dur="4" oct="4" pname="a"/><note dur="4" oct="4" pname="g"/>
<note dur="4" oct="4" pname="a"/></tuplet></layer></staff></measure></ending>
<measure n="4" right="end"><staff n="1"><layer n="1"><note dur="2" dots="1" oct="4" pname="f"/></layer></staff>
</measure>
</section></score></mdiv></body></music></mei>"""
