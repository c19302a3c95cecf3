#include <string.h>

#include "cli/cli_priv.h"

static const char overview[] =
    "halfclean: the paintings conservator's record, and the forecast of what cleaning will bring.\n"
    "\n"
    "  halfclean demo DIR [--small]                     make the invented demo painting, run the "
    "whole path\n"
    "  halfclean new DOSSIER --title T --height-mm H --width-mm W\n"
    "  halfclean add DOSSIER FILE... --technique T --state S\n"
    "  halfclean views DOSSIER                          list views with size, profile, state, fit\n"
    "  halfclean align DOSSIER [VIEW...]                place views in the frame; report the fit\n"
    "  halfclean mosaic DOSSIER VIEW VIEW...            join overlapping plates into one view\n"
    "  halfclean calibrate DOSSIER VIEW --chart FILE    true colour from a colour target in the "
    "view\n"
    "  halfclean import DOSSIER FILE.csv                point measurements; the photograph held to "
    "them\n"
    "  halfclean points DOSSIER                         the measurements and that check\n"
    "  halfclean window DOSSIER --add FILE.geojson --surface S   windows: add, list, --remove ID\n"
    "  halfclean zone DOSSIER --add FILE.geojson --kind K        areas the forecast must leave "
    "out\n"
    "  halfclean forecast DOSSIER                       the predicted look, with radius and "
    "refusals\n"
    "  halfclean lights DOSSIER FILE.csv                where the lamps of raking views stood\n"
    "  halfclean relief DOSSIER --state S               slopes, height and texture from raking "
    "views\n"
    "  halfclean spot DOSSIER --at X,Y [--mm 20]        everything at a spot\n"
    "  halfclean export DOSSIER KIND -o PATH            forecast, radius, refusal, coat or view as "
    "TIFF\n"
    "  halfclean report DOSSIER -o FILE.pdf             the forecast report\n"
    "  halfclean verify DOSSIER                         check every file and record\n"
    "  halfclean serve DOSSIER [--port N]               the workbench page on this machine\n"
    "  halfclean show DOSSIER                           the painting's data\n"
    "  halfclean help [COMMAND]\n"
    "\n"
    "Everywhere: --json (for machines), --quiet (no progress), --by NAME (who makes the change),\n"
    "--threads N. Results go to standard output, everything else to standard error.\n"
    "Exit codes: 0 done, 2 wrong request, 3 damaged or unusable data, 4 no numerical answer,\n"
    "5 not found, 6 conflict, 7 kind not supported, 8 system or disk, 9 memory, 10 limit passed,\n"
    "11 cancelled, 12 refused: the data do not support an answer.\n";

static const struct {
    const char *name, *text;
} pages[] = {
    {"demo",
     "halfclean demo DIR [--small] [--files-only] [--seed N]\n"
     "Writes DIR/photographs, DIR/truth and DIR/dossier: an invented still life photographed "
     "before\n"
     "treatment, with eight windows open, in UV, infrared, X-ray and raking light, taken through\n"
     "add, align, window and forecast. --small: 750 x 900 px instead of 3000 x 3600.\n"
     "--files-only: the photographs alone.\n"},
    {"new", "halfclean new DOSSIER --title T --height-mm H --width-mm W\n"
            "          [--maker M] [--date D] [--support S] [--inventory I] [--owner O]\n"
            "Makes the dossier folder. Height and width are the painting's measured size.\n"},
    {"add",
     "halfclean add DOSSIER FILE... --technique T --state S [--label L]\n"
     "          [--azimuth A --elevation E]\n"
     "Keeps the files unchanged in the dossier and adds a view for each. The first view must be "
     "the\n"
     "reference: technique normal, state before. TIFF (8, 16 bit, float), PNG, JPEG, camera raw.\n"
     "T: normal raking specular transmitted uv ir xray micro section\n"
     "S: before test during-N after-cleaning after-filling after\n"
     "A: degrees counter-clockwise from the viewer's right; E: degrees above the picture plane.\n"},
    {"views", "halfclean views DOSSIER\nLists the views with size, profile, state and fit.\n"},
    {"align", "halfclean align DOSSIER [VIEW...]\n"
              "halfclean align DOSSIER VIEW --points FILE.csv   by 4 or more pairs "
              "frame_x,frame_y,view_x,view_y\n"
              "halfclean align DOSSIER VIEW --ignore FILE.geojson   areas of the view to pass over "
              "(its own pixels;\n"
              "          \"none\" in place of the file: none), then place it\n"
              "halfclean align DOSSIER VIEW --clear             take its placement back\n"
              "Measures where each view lies in the frame and places it. Without names: all that "
              "are not placed\n"
              "yet, and whatever is missing from derived/ is made again. A bad fit is refused, "
              "never used.\n"},
    {"mosaic",
     "halfclean mosaic DOSSIER VIEW VIEW... [--label L]\n"
     "Joins 2 to 60 X-ray plates or infrared frames that overlap (by a tenth of a side or "
     "more) into one\n"
     "view, in any order; of one technique and state, turned by up to 4 degrees, of one "
     "scale within 2 %.\n"
     "All are solved together and the agreement of the overlaps is reported; a plate that "
     "joins nothing is\n"
     "named and nothing is added. The plates stay. Place the new view with align.\n"},
    {"calibrate", "halfclean calibrate DOSSIER VIEW                what the view's calibration is\n"
                  "halfclean calibrate DOSSIER VIEW --chart FILE [--corners \"x,y x,y x,y x,y\"] "
                  "[--grid ROWSxCOLS]\n"
                  "          [--flat VIEW] [--also VIEW,VIEW...]\n"
                  "halfclean calibrate DOSSIER VIEW --clear\n"
                  "FILE: the target's values, CGATS.17 or a CSV of spectra. The target is looked "
                  "for; the corners are\n"
                  "the middles of its corner patches, first patch first, clockwise as it is read. "
                  "--flat: a view of\n"
                  "an even board in the same light. --also: views of the same set that inherit the "
                  "calibration.\n"
                  "The figure to quote is that of patches left out of the fit.\n"},
    {"import",
     "halfclean import DOSSIER FILE.csv [--mm 3]\n"
     "Point measurements: columns x, y (frame px) and wavelengths or L, a, b; or CGATS.17 with "
     "them.\n"
     "--mm: diameter of the instrument's aperture. Prints how far the photograph is from them.\n"},
    {"points",
     "halfclean points DOSSIER [--light D50] [--observer 2|10]\n"
     "The measurements under a light and observer, and the photograph held to them (D50, 2).\n"},
    {"window", "halfclean window DOSSIER                     list the windows\n"
               "halfclean window DOSSIER --add FILE.geojson --surface bare|saturated|varnished\n"
               "          [--before VIEW] [--test VIEW] [--system TEXT] [--label L]\n"
               "halfclean window DOSSIER --remove ID\n"
               "A window is a small test-cleaned area. FILE: GeoJSON polygons in frame pixels; the "
               "properties\n"
               "before, test, surface, system, label may stand in the file. At least 25 px, inside "
               "the frame,\n"
               "not crossing itself, not overlapping another window.\n"},
    {"zone",
     "halfclean zone DOSSIER                       list the zones\n"
     "halfclean zone DOSSIER --add FILE.geojson --kind overpaint|retouching|loss|abrasion|gilding\n"
     "halfclean zone DOSSIER --remove ID\n"
     "No forecast is given inside a zone.\n"},
    {"forecast",
     "halfclean forecast DOSSIER [--surface bare|saturated|varnished] [--radius-limit R]\n"
     "halfclean forecast DOSSIER --show              the newest one again, without computing\n"
     "Computes the predicted look after removing this coat to the state of the windows, the "
     "radius\n"
     "(half-width of the 90 % interval, CIEDE2000) and the refusals. Needs at least 4 windows over "
     "at\n"
     "least 2 lightness classes; 8 or more, with darks and lights, is good practice.\n"
     "It is never the \"original appearance\". Tests on the object overrule it.\n"},
    {"spot", "halfclean spot DOSSIER --at X,Y [--mm 20]\n"
             "Everything at a spot: colour before, after where a window lies, forecast with "
             "radius, effective\n"
             "coat, refusal, and every view. X,Y in frame pixels.\n"},
    {"levelling",
     "halfclean levelling [--thickness-um 50] [--viscosity 0.1] [--tension 0.03] [--open-s 60] "
     "[--solids 0.35] [--coats 1]\n"
     "Which detail sizes a coat of varnish hides: wet thickness, viscosity in Pa s, surface "
     "tension "
     "in N/m, seconds\n"
     "until it no longer flows, share of solids. Orchard's law for a thin film; drying is our own "
     "model.\n"},
    {"lights",
     "halfclean lights DOSSIER FILE.csv\n"
     "halfclean lights DOSSIER --state S --sphere \"X,Y,R X,Y,R ...\" [--matte]\n"
     "FILE: first line of names: file (or label), and azimuth_deg, elevation_deg or x_mm, y_mm, "
     "z_mm from the\n"
     "picture's centre; also polariser (crossed, parallel) and flat (a view of an even board under "
     "this lamp).\n"
     "--sphere: circles in pixels of the views: 1 to 4 mirror spheres (highlights), or one white "
     "matte sphere\n"
     "(shading). Azimuth: degrees counter-clockwise from the viewer's right. Lamps: mind heat and "
     "UV.\n"},
    {"relief",
     "halfclean relief DOSSIER --state S [--method trimmed|least-squares|least-trimmed] [--band "
     "SHORT,LONG]\n"
     "          [--is-flat] [--even-exposure]\n"
     "halfclean relief DOSSIER --state S --show\n"
     "halfclean relief DOSSIER --state S --area FILE.geojson [--with S2] [--band SHORT,LONG]\n"
     "halfclean relief DOSSIER --state S --film --area FILE.geojson\n"
     "Three or more placed raking views with known lamps. --band: detail sizes in mm of the "
     "texture "
     "figures.\n"
     "--is-flat: you say that the picture is flat: slow drift is taken away. --even-exposure: "
     "bring views of\n"
     "different exposure to one. --area: texture of a passage, --with: and of another state. "
     "--film: tell\n"
     "paint and varnish surface apart, or say why not. Export: normals, height, mesh (halfclean "
     "help export).\n"},
    {"export",
     "halfclean export DOSSIER KIND -o FILE.tif [--as srgb|lab|linear] [--view VIEW]\n"
     "KIND: forecast radius refusal coat view. Colour leaves as 16-bit sRGB, float32 "
     "CIELAB D50 or\n"
     "16-bit linear; radius and coat as float32; refusal as 8-bit reason codes, 0 = not "
     "refused.\n"
     "halfclean export DOSSIER normals|height|texture|clog --state S -o FILE.tif   float32; "
     "height in mm\n"
     "halfclean export DOSSIER mesh --state S --at X,Y [--mm 20] [--exaggeration 1] -o "
     "FILE.ply\n"},
    {"report", "halfclean report DOSSIER -o FILE.pdf\n"
               "The forecast on paper: before and half-clean, figures, windows, refusals, "
               "provenance, cautions.\n"},
    {"verify", "halfclean verify DOSSIER\n"
               "Checks the database, every original against its SHA-256 and every derived file. "
               "Exit code 3 when\n"
               "a problem was found; nothing is changed.\n"},
    {"serve", "halfclean serve DOSSIER [--port N] [--read-only] [--web-dir DIR]\n"
              "Serves the workbench page to this machine only and prints the link to open. Ctrl-C "
              "ends it.\n"},
    {"show", "halfclean show DOSSIER\nThe painting's data and the size of its frame.\n"},
};

const char *hc_cli_help(const char *command)
{
    for (size_t i = 0; command && i < sizeof pages / sizeof pages[0]; i++) {
        if (strcmp(command, pages[i].name) == 0) {
            return pages[i].text;
        }
    }
    return overview;
}
