// The documents of docs/http-api.md as types for the checker. Nothing here runs.

/** @typedef {[number, number]} Point frame px, x right, y down */
/** @typedef {[number, number, number]} Lab CIELAB D50 */

/**
 * @typedef {object} Tiles
 * @property {string} key
 * @property {number} w
 * @property {number} h
 * @property {number} tile
 * @property {number} levels
 * @property {string} type
 * @property {{x:number, y:number, w:number, h:number}|null} [at]  frame px that a detail covers; else all
 */

/**
 * @typedef {object} Frame
 * @property {number} view
 * @property {number} w
 * @property {number} h
 * @property {number} mm_per_px
 * @property {string} [note]  what must be known about the frame's size
 */

/**
 * @typedef {object} Dossier
 * @property {string} title
 * @property {string|null} maker
 * @property {string|null} date
 * @property {string|null} support
 * @property {string|null} inventory
 * @property {string|null} owner
 * @property {number} height_mm
 * @property {number} width_mm
 * @property {Frame|null} frame
 * @property {string} program
 * @property {boolean} read_only
 */

/**
 * @typedef {object} Fit
 * @property {"reference"|"good"|"usable"|"refused"|"none"} verdict
 * @property {string} why
 * @property {Point|null} [shift_px]
 * @property {number|null} [rotation_deg]
 * @property {number|null} [scale]
 * @property {number|null} [held_out_median_px]
 * @property {number|null} [held_out_p95_px]
 * @property {number|null} [held_out_median_mm]
 * @property {number|null} [held_out_p95_mm]
 * @property {number|null} [area_supported]
 * @property {number|null} [tiles_textured]
 * @property {number|null} [tiles_used]
 * @property {number|null} [exposure_factor]
 * @property {number|null} [exposure_spread]
 * @property {number|null} [bend_max_px]
 * @property {number|null} [bend_strain_max]
 * @property {number|null} [second_opinion_px]
 * @property {string|null} [kind]             what was fitted, in words
 * @property {boolean|null} [pairs]           placed by pairs of points
 * @property {number|null} [view_per_frame]   view px per frame px
 * @property {boolean} [is_detail]
 * @property {Point[]|null} [outline]         the view's corners, frame px
 * @property {{k1:number, k2:number}|null} [lens]
 * @property {number|null} [unsupported_share] of what the view shows
 * @property {boolean} [comparable]
 * @property {string} [compare_note]          what to know before comparing; "" when good
 */

/** @typedef {[number, number, number, number]} Pair one detail: frame x y, own x y of the view, px */

/** @typedef {{x:number, y:number, dx:number, dy:number, used:boolean}} FitTile measured minus fitted place */

/**
 * @typedef {object} FitMap
 * @property {number} view
 * @property {string} verdict
 * @property {string} why
 * @property {{w:number, h:number}} frame
 * @property {FitTile[]} tiles             of pairs given by hand: the pairs, in their order
 * @property {string|null} [kind]
 * @property {{k1:number, k2:number}|null} [lens]
 * @property {number|null} [tile_pitch_px]
 * @property {number|null} [mm_per_px]
 * @property {number|null} [held_out_median_px]
 * @property {number|null} [held_out_p95_px]
 * @property {number|null} [held_out_median_mm]
 * @property {number|null} [held_out_p95_mm]
 * @property {number|null} [second_opinion_px]
 * @property {number|null} [strain_max]
 * @property {boolean} [pairs]
 * @property {{cols:number, rows:number, cell_px:number, mask:string[]}|null} [support] "1" = supported
 */

/**
 * @typedef {object} CalibrationPatch
 * @property {string} name
 * @property {Lab} reference_lab
 * @property {Lab} lab               measured, corrected
 * @property {number|null} de        CIEDE2000
 * @property {number|null} de_left_out
 * @property {boolean} neutral
 * @property {string} fault          why it was not used, or ""
 */

/**
 * @typedef {object} Tolerance
 * @property {string} guideline
 * @property {number} year
 * @property {string} level
 * @property {"primary"|"secondary"|"memory"} status how the number is known
 * @property {boolean} within
 */

/** @typedef {{mean:number|null, p95:number|null, max:number|null, n:number}} CalibrationFigures CIEDE2000 */

/**
 * @typedef {object} Calibration
 * @property {number} from_view
 * @property {string} from_label
 * @property {boolean} inherited
 * @property {string} made_at
 * @property {string} target
 * @property {string} kind
 * @property {string} why
 * @property {number|null} exposure_ev
 * @property {number} rows
 * @property {number} cols
 * @property {Point[]} corners    middles of the corner patches, own px of the view it was made on
 * @property {[number, number, number]} gain  of red, green, blue before the fit
 * @property {{before_delta_l:number|null, after_delta_l:number|null}|null} flat
 * @property {number} used
 * @property {number} left_out
 * @property {CalibrationFigures} before
 * @property {CalibrationFigures} fit
 * @property {CalibrationFigures} left_out_patch
 * @property {CalibrationPatch[]} patches
 * @property {{name:string, unit:string, value:number|null, tolerances:Tolerance[]}[]} qualities
 */

/**
 * @typedef {object} View
 * @property {number} id
 * @property {string} label
 * @property {string} technique
 * @property {string} state
 * @property {string} face
 * @property {string} file_name
 * @property {string} sha256
 * @property {number} w
 * @property {number} h
 * @property {number} bands
 * @property {number} bits
 * @property {string} profile
 * @property {boolean} profile_assumed
 * @property {string} note
 * @property {number|null} clipped_share
 * @property {{azimuth_deg:number, elevation_deg:number}|null} light
 * @property {string} added_at
 * @property {{from_label:string, inherited:boolean, made_at?:string, kind:string, mean:number|null, p95:number|null,
 *   max:number|null}|null} [calibration]  CIEDE2000 of patches left out
 * @property {{verdict:string, why:string, held_out_median_px:number|null, held_out_p95_px:number|null,
 *   plates:{view:number, label:string}[]}|null} [mosaic]  of a view joined from others; own px
 * @property {Fit} fit
 * @property {Tiles|null} tiles
 */

/**
 * @typedef {object} WindowForecast
 * @property {number|null} lightness
 * @property {number|null} nothing_de
 * @property {number|null} left_out_de
 * @property {Lab|null} left_out_bias
 * @property {number|null} coat
 */

/**
 * @typedef {object} TestWindow
 * @property {number} id
 * @property {string} label
 * @property {Point[]} polygon
 * @property {number} before
 * @property {number} test
 * @property {string} surface
 * @property {string} system
 * @property {number} area_px
 * @property {number} area_mm2
 * @property {string} added_at
 * @property {WindowForecast|null} forecast
 */

/**
 * Point measurements, and the photograph held to them.
 * @typedef {object} Points
 * @property {string} file_name
 * @property {string} about
 * @property {number} aperture_mm
 * @property {string} light
 * @property {number} observer_deg
 * @property {string[]} lights       that can be asked for
 * @property {number[]} observers
 * @property {string} sentence
 * @property {{mean:number|null, p95:number|null, max:number|null, bias:Lab}} photograph_check
 * @property {{id:string, name:string, x:number, y:number, lab:Lab, photographed:Lab, de:number|null}[]} points
 */

/**
 * @typedef {object} Zone
 * @property {number} id
 * @property {string} kind
 * @property {string} label
 * @property {Point[]} polygon
 * @property {number} area_mm2
 */

/**
 * @typedef {object} Forecast
 * @property {number} id
 * @property {string} made_at
 * @property {boolean} is_stale
 * @property {string} surface
 * @property {string} sentence
 * @property {string} estimator
 * @property {{name:string, chosen:boolean, weight:number|null, left_out_de:number|null}[]} estimators
 * @property {number|null} nothing_de
 * @property {number|null} left_out_de
 * @property {{a0:number|null, slope_nm:number|null, haze:number|null, grey:number|null,
 *   surface_before:number|null, surface_after:number|null}|null} coat_model
 * @property {{q:number|null, distribution_free:boolean}} interval
 * @property {{median:number|null, p95:number|null}} radius
 * @property {{code:number, share:number, reason:string}[]} refused
 * @property {boolean} has_uv
 * @property {boolean} [uv_used]
 * @property {number|null} uv_gain
 * @property {(WindowForecast & {id:number, label:string})[]} windows
 * @property {{x:number, y:number, why:string}|null} next_window
 * @property {string} caveat
 * @property {{look:Tiles, radius:Tiles, refusal:Tiles, coat:Tiles}} tiles
 * @property {{lo:number, hi:number}} radius_scale
 * @property {{view:string, sha256:string}[]} inputs
 * @property {string} program
 */

/**
 * @typedef {object} JobDoc
 * @property {number} id
 * @property {"add"|"align"|"calibrate"|"mosaic"|"forecast"|"report"|"relief"|"film"} kind
 * @property {"queued"|"running"|"done"|"failed"|"cancelled"} status
 * @property {number} fraction
 * @property {string} what
 * @property {{code:string, message:string}|null} [error]
 * @property {unknown} [result]
 */

/**
 * @typedef {object} Spot
 * @property {number} x
 * @property {number} y
 * @property {number} mm
 * @property {number} px
 * @property {{id:number, label:string, technique:string, state:string, mean:number[],
 *   lab:Lab|null, n:number, compare_note?:string}[]} views
 * @property {{lab:Lab, sd:number|Lab|null}|null} before
 * @property {{lab:Lab, window:string}|null} after
 * @property {{lab:Lab|null, radius:number|null, coat:number|null, refused_share:number,
 *   reason_code:number, reason:string|null}|null} forecast
 * @property {string|null} window
 * @property {{id:number, kind:string, label:string}[]} zones
 */

/** @typedef {"one"|"line"|"mix"|"difference"|"alternation"} CompareMode */
/** @typedef {"look"|"forecast"|"light"} RoomName */

/** @typedef {{value:number, low:number, high:number}} Interval 90 % */

/**
 * @typedef {object} Texture
 * @property {number} short_mm
 * @property {number} long_mm
 * @property {number} sa_um
 * @property {number} sq_um
 * @property {number} sz_um
 * @property {number} ssk
 * @property {number} sku
 * @property {number} sdq
 * @property {number} sdr
 */

/** @typedef {{state:string, texture:Texture, other?:string, other_texture?:Texture, sq_ratio?:Interval, sdq_ratio?:Interval,
 *   patches?:number, what?:string}} TextureAnswer */

/** @typedef {{state:string, views:number, polarised:boolean, refusal:number, why:string, coverage:number, short_mm:number, long_mm:number,
 *   retained?:Interval, fill_um?:Interval, gain?:Interval, gain_what?:string}} Film */

/**
 * The relief of one state.
 * @typedef {object} Relief
 * @property {string} state
 * @property {boolean} is_stale
 * @property {string} method
 * @property {{view:number, label:string, azimuth_deg:number, elevation_deg:number, why:string}[]} lights
 * @property {boolean} crossed
 * @property {number} answered
 * @property {number} slope_sd
 * @property {boolean} slope_sd_assumed
 * @property {{is_varnished:boolean, paint:number, film:number, what:string}} through_varnish
 * @property {{reduced:number, mm_per_px:number, reliable_mm:number, lo_mm:number, hi_mm:number, what:string}} height
 * @property {Texture} texture
 * @property {{detail_mm:number, sq_um:number}[]} curve
 * @property {{label:string, refusal:number, why:string, ratio?:Interval, retained?:Interval}[]} windows
 * @property {{refusal:number, pairs:number, what:string, gain?:Interval}} forecast
 * @property {{slopes:Tiles, height:Tiles|null}} tiles
 */

/** @typedef {{state:string, length_mm:number, reliable_mm:number, height_mm:(number|null)[]}} Profile */


/**
 * What the page knows and shows. Sides are "view:ID" or "forecast".
 * @typedef {object} State
 * @property {Dossier} dossier
 * @property {View[]} views
 * @property {TestWindow[]} windows
 * @property {Zone[]} zones
 * @property {Forecast|null} forecast
 * @property {RoomName} room
 * @property {string} sideA
 * @property {string} sideB
 * @property {CompareMode} mode
 * @property {number} mix            0..1, opacity of side B in the mix
 * @property {number} factor         by which the difference is multiplied
 * @property {number} rate           of the alternation, changes a second
 * @property {boolean} isRunning     does the alternation run?
 * @property {boolean} isOther       in the alternation: is side B shown?
 * @property {FitMap|null} fitMap     the fit map over the picture
 * @property {{kind: "pairs"|"ignored", view: number}|null} workplace what is marked on a view's own pixels
 * @property {boolean} radiusOn
 * @property {boolean} outlinesOn
 * @property {Point|null} cross      the spot, frame px
 * @property {boolean} isPinned
 * @property {number} mm             side of the spot's patch
 * @property {Relief[]} reliefs
 * @property {boolean} lampOn
 * @property {string} lampA          state whose relief is lit on one side, "" = the first there is
 * @property {string} lampB
 */
export {};
