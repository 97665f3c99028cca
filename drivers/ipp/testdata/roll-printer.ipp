# A roll printer that does not exist, as ippeveprinter reads it with -a (see ippserver-conf: ATTR TYPE NAME VALUE).
# Sizes are in 0.01 mm.
ATTR textWithoutLanguage printer-make-and-model "Invented Roll Printer"
ATTR keyword media-supported "custom_min_300x500mm","custom_max_1626x50000mm","custom_vinyl_1370x50000mm","iso_a1_594x841mm"
ATTR keyword media-default "custom_vinyl_1370x50000mm"
ATTR keyword media-ready "custom_vinyl_1370x50000mm"
ATTR collection media-size-supported {
    MEMBER rangeOfInteger x-dimension 30000-162600
    MEMBER rangeOfInteger y-dimension 50000-5000000
},{
    MEMBER integer x-dimension 59400
    MEMBER integer y-dimension 84100
}
ATTR collection media-col-default {
    MEMBER collection media-size {
        MEMBER integer x-dimension 137000
        MEMBER integer y-dimension 5000000
    }
    MEMBER keyword media-size-name "custom_vinyl_1370x50000mm"
}
ATTR collection media-col-ready {
    MEMBER collection media-size {
        MEMBER integer x-dimension 137000
        MEMBER integer y-dimension 5000000
    }
    MEMBER keyword media-size-name "custom_vinyl_1370x50000mm"
}
ATTR collection media-col-database {
    MEMBER collection media-size {
        MEMBER rangeOfInteger x-dimension 30000-162600
        MEMBER rangeOfInteger y-dimension 50000-5000000
    }
}
ATTR enum print-quality-supported 4,5
ATTR enum print-quality-default 4
ATTR enum finishings-supported 3,11
ATTR enum finishings-default 3
ATTR mimeMediaType document-format-supported "application/pdf","image/pwg-raster"
ATTR mimeMediaType document-format-default "application/pdf"
